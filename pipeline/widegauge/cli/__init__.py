"""The command line: words to calls, and nothing heavier than click until a command is chosen."""

from __future__ import annotations

import errno
from typing import Any

import click

from widegauge import __version__
from widegauge.cli.lazy import LazyGroup
from widegauge.errors import MediaError, WidegaugeError

VERBS = {
    "plan": "What the large negative would need, and the difference for each stage.",
    "depth": "Make, scale, clean or look at depth maps.",
    "finish": "Run the stages over a shot and write the frames back in their encoding.",
    "batch": "A night's work: check many shots first, run, resume, report.",
    "compare": "Show pictures before and after: stills, a page, a contact sheet.",
    "measure": "Find the numbers in pictures: edge, grain, halation, blur, noise.",
    "presets": "List, show and check presets; print their schema.",
    "demo": "Finish the sample frames, and say where to look.",
}


_NO_BUG = {
    errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.EACCES, errno.EPERM, errno.ENOTDIR, errno.EISDIR,
    errno.ENAMETOOLONG, errno.ESTALE,
}  # fmt: skip
"""What a disk, a share or a path may answer to a program without a mistake."""


class _Verbs(LazyGroup):
    """The verbs; an error meant for a person ends with its sentence and exit code, and so does a full disk."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except WidegaugeError as error:
            click.echo(str(error), err=True)
            ctx.exit(error.exit_code)
        except OSError as error:
            if error.errno not in _NO_BUG:
                raise
            place = f"{error.filename}: " if error.filename else ""
            click.echo(f"{place}{error.strerror}. Check the place, its permissions and the space left.", err=True)
            ctx.exit(MediaError.exit_code)


@click.group(
    cls=_Verbs,
    package=__name__,
    verbs=VERBS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
@click.version_option(__version__, prog_name="widegauge")
def main() -> None:
    """Plan, finish and prove footage that should look as if it was shot on the largest film negative.

    Results go to standard output, progress and advice to standard error. Exit codes: 0 done; 1 part of a
    batch failed; 2 settings or usage; 3 footage, depth or output failed while working.
    """
