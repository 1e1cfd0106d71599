"""widegauge depth layout"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.options import frames_option, proxy_option, shot_argument


@click.command("layout")
@shot_argument
@click.argument("layout", type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path, file_okay=False), help="Folder for the depth maps.")
@click.option(
    "--check",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="PNG",
    help="Draw the layout over the first of these frames, or with #### in the name over each of them.",
)
@frames_option
@proxy_option
@click.option("--preset", "-p", default="15-perf-65", metavar="NAME", help="Whose blur the check shows.")
def command(
    shot: Path,
    layout: Path,
    out: Path | None,
    check: Path | None,
    frames: str | None,
    proxy: str,
    preset: str,
) -> None:
    """Depth of SHOT from LAYOUT: a camera height, the horizon or tilt, and outlines of what stands on the ground.

    LAYOUT is a TOML file: [ground] with camera_height_m, horizon or tilt_deg, backing_m; and [[cutout]] with name,
    frame, box = [x, y, width, height] or outline = [[x, y], ...], and distance_m where it was taped. Places are
    fractions of the footage from its top left corner.

    Without --out only the check is drawn, quickly: a distance found from a foot is of the frames gone through alone,
    where maps take the median over two frames on either side.
    """
    from widegauge.errors import mistake
    from widegauge.report.layoutcheck import layout_check
    from widegauge.report.stills import save
    from widegauge.run.depthmaps.layout import carry_through
    from widegauge.run.depthmaps.layoutjob import open_job
    from widegauge.run.depthmaps.show_layout import check_files, checks_all, facts_of, summary
    from widegauge.run.depthmaps.write import depth_name, refuse_sources, shot_lines, write_depth

    if out is None and check is None:
        raise mistake("command line", "--out", None, "neither --out nor --check is given", "say what to make")
    every = check is not None and checks_all(check)
    job = open_job(
        shot,
        layout,
        preset=preset,
        frames=frames,
        proxy=proxy,
        is_quick=out is None,
        only_first=out is None and not every,
    )
    if out is not None:
        refuse_sources(out, job.plate)
    checks = [] if check is None else check_files(check, job.wanted)
    carried = carry_through(job, lambda number, of: click.echo(f"followed to frame {number} ({of})", err=True))
    for number, file in checks:
        save(file, layout_check(job.picture(number), facts_of(carried, number)))
        click.echo(f"check: {file} (frame {number})")
    if out is not None:
        for number in job.wanted:
            write_depth(out / depth_name(job.plate.footage, number), carried.depth_m(number))
        click.echo("\n".join(summary(carried)))
        click.echo(f"{len(job.wanted)} maps: {out / depth_name(job.plate.footage, job.wanted[0])} ...")
        click.echo(f"in {job.plate.shot.file.name}:\n{shot_lines(job.plate.shot, job.plate.footage, out)}")
    for line in carried.requests():
        click.echo(line, err=True)
