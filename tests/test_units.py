"""The notations that people write by hand."""

from fractions import Fraction

import pytest
from conftest import reference
from widegauge.units import Stop, parse_frames, parse_rate, parse_ratio, parse_scale, parse_stop, stops_between


@pytest.mark.parametrize(
    ("text", "stop"), [("f/2.8", Stop(2.8, False)), ("T1.5", Stop(1.5, True)), ("f/100000", Stop(1e5, False))]
)
def test_stops_are_read_as_written(text: str, stop: Stop) -> None:
    assert parse_stop(text) == stop
    assert str(parse_stop("f/2.8")) == "f/2.8"


@pytest.mark.parametrize("text", ["2.8", "f/0", "T", "f2.8", "t1.5", "f/-2", ""])
def test_other_stops_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"f/2\.8"):
        parse_stop(text)


@pytest.mark.parametrize("row", reference("lens")["t_stop"], ids=lambda row: row["source"][:30])
def test_t_stops_against_published_pairs(row: dict) -> None:
    found = Stop(row["t_number"], True).f_number(transmittance=row["transmittance"])
    assert found == pytest.approx(row["f_number"], abs=row["tolerance"])


def test_frames_ratios_rates_and_scales() -> None:
    assert list(parse_frames("1001-1009x4")) == [1001, 1005, 1009]
    assert list(parse_frames("7")) == [7]
    assert parse_ratio("16:9") == pytest.approx(16 / 9)
    assert parse_rate("24000/1001") == Fraction(24000, 1001)
    assert parse_scale("1/4") == Fraction(1, 4)
    assert stops_between(0.18, 0.72) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (parse_frames, "9-1"),
        (parse_frames, "1-9x0"),
        (parse_frames, "all"),
        (parse_ratio, "0.01"),
        (parse_ratio, "1:0"),
        (parse_rate, "0"),
        (parse_rate, "fast"),
        (parse_scale, "2"),
        (parse_scale, "1/0"),
    ],
)
def test_nonsense_is_refused(parse, text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        parse(text)
