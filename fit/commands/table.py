"""A table of subcommands that are imported only when they are used."""

from __future__ import annotations

import gc
import os
import sys
from contextlib import suppress
from importlib import import_module

import click

from fit.commands.said import usage_words
from fit.errors import EdgewrightError
from fit.version import EDGEWRIGHT

__all__ = ["COMMANDS", "edgewright", "run"]

COMMANDS: dict[str, tuple[str, str]] = {
    "target": ("capture.commands.target:target", "Print a frame, strips, the lens sheet or stickers."),
    "camera": ("capture.commands.camera:camera", "Learn a lens from photos of the printed sheet."),
    "photo": ("capture.commands.photo:photo", "Measure a part lying in a printed frame from one photo."),
    "probe": ("capture.commands.probe:probe", "Fit features to point lists from a digitizing arm."),
    "path": ("capture.commands.path:path", "Cut one edge walk into tangent lines and arcs."),
    "job": ("capture.commands.job:job", "Start a job file, or print its schema."),
    "run": ("capture.commands.run:run", "Measure everything that a job file names."),
    "expect": ("capture.commands.expect:expect", "The ± that a set-up will give, before shooting."),
    "page": ("capture.commands.page:page", "Mark edges on a photo and see their sizes."),
    "bend": ("fit.commands.bend:bend", "Flat blank of a bent sheet part."),
    "rod": ("capture.commands.rod:rod", "Bending schedule of a bent rod or tube."),
    "seal": ("fit.commands.seal:seal", "Length, corners and compression of a rubber seal."),
    "clear": ("fit.commands.clear:clear", "Smallest gap between two parts through a motion."),
}
"""Name -> (where the command lives, its one-line help): listing them loads none of them."""
_OBJECTS_AT_ONCE = 20_000
"""New objects after which rings of them that nothing holds are looked for: at Python's 700 that takes a thirtieth of a
photo's CPU time, and we make next to none."""


class _CommandTable(click.Group):
    """A group that knows its commands' names and help without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=_CommandTable, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(EDGEWRIGHT, prog_name="edgewright")
@click.pass_context
def edgewright(ctx: click.Context) -> None:
    """Measure what is there, with an honest ± on every number, and make the part that fits it."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def run() -> None:
    """Run the command line: a user's mistake ends in one line on standard error and exit code 2."""
    # Neither library is loaded yet. Our matrices are small: NumPy's worker threads would only spin, for a fifth of the CPU
    # time; OpenCV's are of use, but between its calls they would spin for another twelfth.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OPENCV_THREAD_POOL_ACTIVE_WAIT_WORKER", "0")
    gc.set_threshold(_OBJECTS_AT_ONCE)
    _keep_memory()
    try:
        status = edgewright.main(prog_name="edgewright", standalone_mode=False)
    except EdgewrightError as error:
        _stop(str(error), error.exit_code)
    except click.UsageError as error:
        _stop(usage_words(error), 2)
    except click.ClickException as error:
        _stop(error.format_message(), 2)
    except (click.Abort, KeyboardInterrupt):
        _stop("Stopped; nothing was written.", 130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:
        _stop(f"{error.filename or 'The output'}: cannot be read or written ({error.strerror or error}).", 2)
    except MemoryError:
        _stop("Not enough memory for this; give fewer or smaller files.", 2)
    sys.exit(status if isinstance(status, int) else 0)


def _keep_memory() -> None:
    """Let the C library keep the room of arrays that are done with (mallopt of glibc; other systems do as they are used to).

    Else large ones go back to the system each time, and clearing their pages anew takes a twentieth of a photo's CPU time.
    """
    import ctypes

    trim_threshold, top_pad, map_threshold = -1, -2, -3
    with suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None)
        for parameter, size in ((trim_threshold, 2**28), (top_pad, 2**24), (map_threshold, 2**25)):
            library.mallopt(parameter, size)


def _stop(line: str, code: int) -> None:
    click.echo("edgewright: " + " ".join(line.split()), err=True)
    sys.exit(code)
