"""Decode and encode: published code values, colour-science's own float64 results, and the way back."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from conftest import reference
from widegauge.kernels import curve as kernel
from widegauge.media.encoding import _USUAL_PRIMARIES, bake, check_primaries, check_transfer, rgb_matrix
from widegauge.media.encoding import _colour as colour_science
from widegauge.media.encoding import _transfers as transfers

REFERENCES = reference("transfer_curves")
PRIMARIES = "ITU-R BT.709"
QUARTER_CODE = 0.25 / 65535.0
CODES = np.arange(65536) / 65535.0
LOWEST_CODE = {"N-Log": 0.02, "DICOM GSDF": 1.0 / 1023.0}
"""Where curves start that do not start at code 0: N-Log has no slope there, far below its black of 0.124, and float32
light cannot tell those codes apart; DICOM PS3.14 defines its function from code 1 of 1023."""


def pixels(values: object) -> np.ndarray:
    return np.repeat(np.asarray(values, dtype=np.float32).reshape(1, -1, 1), 3, axis=2)


def library_encode(name: str):  # type: ignore[no-untyped-def]
    colour = colour_science()
    for table in (colour.LOG_ENCODINGS, colour.OETFS, colour.EOTF_INVERSES, colour.CCTF_ENCODINGS):
        if name in table:
            return table[name]
    raise KeyError(name)


def quietly(function, values):  # type: ignore[no-untyped-def]
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.asarray(function(values), dtype=np.float64)


@pytest.mark.parametrize("published", REFERENCES["curve"], ids=lambda curve: curve["name"])
def test_published_code_values_both_ways(published: dict) -> None:
    encoding = bake(published["name"], PRIMARIES)
    full = 2 ** published["bits"] - 1 if published["bits"] else 1
    linear, printed = np.array(published["rows"], dtype=np.float64).T
    half_a_digit = 0.5 * 10.0 ** -published["digits"] * 1.001
    found = encoding.encode(pixels(linear))[0, :, 0].astype(np.float64) * full
    np.testing.assert_allclose(found, printed, rtol=0.0, atol=half_a_digit)
    back = encoding.decode(pixels(found / full))[0, :, 0]
    np.testing.assert_allclose(back, linear, rtol=1e-5, atol=1e-6)


def test_legal_range_codes_of_a_display_curve() -> None:
    published = REFERENCES["legal_range"]
    encoding = bake(published["curve"], PRIMARIES, legal=True)
    linear, printed = np.array(published["rows"]).T
    found = encoding.encode(pixels(linear))[0, :, 0] * 1023.0
    np.testing.assert_allclose(found, printed, rtol=0.0, atol=0.05)
    np.testing.assert_allclose(encoding.decode(pixels(printed / 1023.0))[0, :, 0], linear, atol=2e-4)


def test_a_curve_published_as_codes_means_the_same_codes_in_legal_range_and_in_a_stretched_movie() -> None:
    # colour-science's in_normalised_code_value=False is the same curve on a signal of 0 at 64 and 1 at 940
    plain, legal = bake("S-Log3", PRIMARIES), bake("S-Log3", PRIMARIES, legal=True)
    stretched = bake("S-Log3", PRIMARIES, stretched=True)
    codes = np.linspace(64.0, 1019.0, 500) / 1023.0
    np.testing.assert_array_equal(plain.decode(pixels(codes)), legal.decode(pixels(codes)))
    signal = (codes * 1023.0 - 64.0) / 876.0
    expected = transfers()["S-Log3"](signal, in_normalised_code_value=False)
    np.testing.assert_allclose(stretched.decode(pixels(signal))[0, :, 0], expected, rtol=2e-5, atol=1e-6)


def test_every_curve_comes_back_and_agrees_with_colour_science() -> None:
    failures = []
    for name, decode in sorted(transfers().items()):
        encoding = bake(name, PRIMARIES)
        codes = CODES[LOWEST_CODE.get(name, 0.0) <= CODES].astype(np.float32)
        light = encoding.decode(pixels(codes))
        back = encoding.encode(light)[0, :, 0].astype(np.float64)
        if not np.isfinite(light).all() or np.abs(back - codes).max() >= QUARTER_CODE:
            failures.append((name, "round trip", np.abs(back - codes).max() * 65535.0))
        # the library's own pair, where it is sound: finite, rising, without a step, and outside the bridges
        exact, light = codes[::4].astype(np.float64), light[0, ::4, 0].astype(np.float64)
        truth = quietly(decode, exact)
        slope = np.gradient(truth, exact)
        with np.errstate(all="ignore"):
            step = np.abs(np.diff(truth, 2, prepend=truth[0], append=truth[-1])) > 0.05 * slope * 4.0 / 65535.0
        sound = np.isfinite(truth) & (slope > 0.0) & ~np.convolve(step, np.ones(5), "same").astype(bool)
        for low, high in encoding.bridges:
            sound &= (exact < low - 2e-4) | (exact > high + 2e-4)
        if sound.mean() < 0.97:
            failures.append((name, "too little of the curve was compared", sound.mean()))
        off = np.abs(light - truth)[sound] / slope[sound]
        if off.max() >= QUARTER_CODE:
            failures.append((name, "decode", off.max() * 65535.0))
        theirs = quietly(library_encode(name), truth)
        pair = sound & (np.abs(theirs - exact) < 0.02 / 65535.0)
        ours = encoding.encode(pixels(truth))[0, :, 0].astype(np.float64)
        if pair.any() and np.abs(ours - theirs)[pair].max() >= QUARTER_CODE:
            failures.append((name, "encode", np.abs(ours - theirs)[pair].max() * 65535.0))
    assert not failures


@pytest.mark.parametrize("name", ["V-Log", "ACEScct", "ACEScc", "sRGB", "Gamma 2.2", "Cineon", "ITU-R BT.2100 HLG"])
@pytest.mark.parametrize("legal", [False, True])
def test_codes_outside_the_range_stay_finite_rise_and_come_back(name: str, legal: bool) -> None:
    encoding = bake(name, PRIMARIES, legal=legal)
    codes = np.linspace(-0.4, 1.4, 20001, dtype=np.float32)
    light = encoding.decode(pixels(codes))[0, :, 0]
    assert np.isfinite(light).all()
    assert (np.diff(light.astype(np.float64)) > 0.0).all()
    np.testing.assert_allclose(encoding.encode(pixels(light))[0, :, 0], codes, atol=2e-5)
    dark = np.linspace(-1.0, 0.01, 5001, dtype=np.float32)
    code = encoding.encode(pixels(dark))[0, :, 0]
    assert np.isfinite(code).all()
    assert (np.diff(code) >= 0.0).all()


def test_pure_powers_are_mirrored_below_zero_and_straight_toes_go_on() -> None:
    power = bake("Gamma 2.4", PRIMARIES)
    np.testing.assert_array_equal(power.decode(pixels([-0.5])), -power.decode(pixels([0.5])))
    toe = bake("sRGB", PRIMARIES)
    np.testing.assert_allclose(toe.encode(pixels([-0.01]))[0, 0], -0.1292, rtol=1e-6)


def test_published_breaks_that_do_not_meet_are_bridged_and_said_so() -> None:
    # ITU-R BT.709: 4.5 x .018 = .081, but 1.099 x .018^.45 - .099 = .08124
    (low, high), *more = bake("ITU-R BT.709", PRIMARIES).bridges
    assert not more
    assert 0.080 < low < 0.081 < 0.08125 < high < 0.083
    assert bake("V-Log", PRIMARIES).bridges == ()


def test_linear_is_the_same_array() -> None:
    encoding = bake("linear", PRIMARIES)
    values = pixels([-1.0, 0.18, 70000.0])
    assert encoding.is_linear
    assert encoding.decode(values) is values
    assert encoding.encode(values) is values
    with pytest.raises(ValueError, match="no legal range"):
        bake("linear", PRIMARIES, legal=True)


def test_not_a_number_stays_and_infinity_stays_infinite() -> None:
    encoding = bake("V-Log", PRIMARIES)
    for way in (encoding.decode, encoding.encode):
        found = way(pixels([np.nan, np.inf, -np.inf]))[0, :, 0]
        assert np.isnan(found[0])
        assert found[1] == np.inf
        assert found[2] == -np.inf


def test_inputs_stay_and_out_may_be_the_input() -> None:
    encoding = bake("ACEScct", PRIMARIES)
    values = pixels(np.linspace(-0.2, 1.2, 333))
    before = values.copy()
    expected = encoding.decode(values)
    np.testing.assert_array_equal(values, before)
    assert encoding.decode(values, out=values) is values
    np.testing.assert_array_equal(values, expected)


def test_bits_do_not_depend_on_where_a_row_lies() -> None:
    encoding = bake("V-Log", PRIMARIES)
    rng = np.random.default_rng(5)
    values = rng.random((100, 37, 3), dtype=np.float32)
    whole = encoding.decode(values)
    for y in (0, 31, 32, 99):
        np.testing.assert_array_equal(encoding.decode(values[y : y + 1]), whole[y : y + 1])


def test_kernel_is_the_same_compiled_and_as_python() -> None:
    grid = kernel.nodes(low=-3, high=2, step_bits=2)
    table = kernel.Table(np.stack((grid**2, -(grid**2))).astype(np.float32), -3, 2)
    values = np.array([[0.0, 0.01, 0.125, 0.3, -0.3, 1.9, 4.0, 9.0, -9.0]], dtype=np.float32)
    compiled = kernel.look_up(values, table)
    slow = np.empty_like(values)
    scales = np.array([8.0, 3.5, 2.0], dtype=np.float32)
    first = ((-3 + 127) << 2) - 1
    kernel._look_up_rows.py_func(values, values.view(np.uint32), table.values, first, 21, scales, slow, 0, 1)
    np.testing.assert_allclose(compiled, slow, rtol=1e-6)
    # by hand: .01 lies .08 of the way from 0 to .125; .3 is .8 of the way from .25 to .3125, 1.9 .6 of the way from
    # 1.75 to 2; beyond 4 the last slope, (16 - 12.25) / .5, goes on
    by_hand = [0.0, 0.00125, 0.015625, 0.090625, -0.090625, 3.625, 16.0, 53.5, -53.5]
    np.testing.assert_allclose(compiled[0], by_hand, rtol=1e-5)


def test_names_are_checked_with_the_nearest_known() -> None:
    assert check_transfer("V-Log") is None
    assert check_transfer("linear") is None
    assert check_primaries(PRIMARIES) is None
    assert '"V-Log"' in (check_transfer("vlog") or "")
    assert '"ACEScct"' in (check_transfer("ACEScctt") or "")
    assert '"ITU-R BT.709"' in (check_primaries("BT.709") or "")
    assert set(colour_science().RGB_COLOURSPACES) > _USUAL_PRIMARIES
    with pytest.raises(ValueError, match="not a transfer function"):
        bake("no such curve", PRIMARIES)
    with pytest.raises(ValueError, match="not an RGB colourspace"):
        bake("linear", "no such primaries")


def test_matrix_between_colourspaces_keeps_white() -> None:
    # ITU-R BT.2087-0, equation for BT.709 to BT.2020: first row .6274 .3293 .0433
    matrix = rgb_matrix("ITU-R BT.709", "ITU-R BT.2020")
    np.testing.assert_allclose(matrix[0], [0.6274, 0.3293, 0.0433], atol=6e-5)
    np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=1e-6)
