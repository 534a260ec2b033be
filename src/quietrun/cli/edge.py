"""The edge of the program: the one place where errors become messages and exit codes."""

from __future__ import annotations

import contextlib
import difflib
import errno
import importlib
import os
import sys
import traceback
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NoReturn

import click

from quietrun.errors import QuietrunError

USAGE = 2
BUG = 70
INTERRUPTED = 130  # 128 + SIGINT, as shells have it
PIPE_CLOSED = 141  # 128 + SIGPIPE, as shells have it


class PipeClosed(Exception):
    """Whoever read our output has gone; nobody is left to tell."""


@contextlib.contextmanager
def _own_pipe_error() -> Iterator[None]:
    """Take a closed pipe before click turns it into exit code 1, which means "noisy" here."""
    try:
        yield
    except BrokenPipeError as error:
        raise PipeClosed from error


def _abandon_stdout() -> None:
    """Send what is still buffered nowhere, so that Python's exit says nothing."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _say(text: str) -> None:
    """Tell on standard error; where that cannot be written to either, the exit code must do."""
    with contextlib.suppress(OSError, ValueError):
        click.echo(text, err=True)


def _show(error: click.ClickException) -> None:
    with contextlib.suppress(OSError, ValueError):
        error.show()


def _abandon_stderr() -> None:
    """Send what is still buffered nowhere where standard error takes nothing."""
    try:
        if sys.stderr is not None:
            sys.stderr.flush()
    except (OSError, ValueError):
        with contextlib.suppress(OSError, ValueError, AttributeError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


def _bug(error: Exception) -> int:
    where = traceback.extract_tb(error.__traceback__)[-1]
    _say(
        f"Error: this is a bug in quietrun, not in your clip: {type(error).__name__}: {error}\n"
        f"  Where: {os.path.basename(where.filename)}, line {where.lineno}\n"
        "  Do:    Run it again with QUIETRUN_DEBUG=1 and report what it prints."
    )
    if os.environ.get("QUIETRUN_DEBUG") == "1":
        _say("".join(traceback.format_exception(error)).rstrip())
    return BUG


def _import_error(error: ImportError) -> int:
    if (error.name or "").startswith("quietrun"):
        return _bug(error)
    _say(
        f"Error: a library that quietrun stands on does not load: {error}\n"
        "  Do:   Install quietrun again: pip install --force-reinstall quietrun"
    )
    return USAGE


def _os_error(error: OSError) -> int:
    if error.errno not in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return _bug(error)
    _abandon_stdout()
    _say("Error: the answer could not be written: the disk is full.\n  Do:   Free some space.")
    return USAGE


#: Names in the environment and numbers of glibc's mallopt, and bytes: from which size on memory is
#: asked from the system each time, and how much of what was freed is kept.
_KEEP = (("MALLOC_MMAP_THRESHOLD_", -3, 8 << 20), ("MALLOC_TRIM_THRESHOLD_", -1, 64 << 20))


def keep_freed_memory() -> None:
    """Have glibc keep what a clip has freed for the next step and the next clip.

    Left alone it may give some 15 MiB back and ask for them again with every clip, and fresh pages
    cost up to a tenth of the time. What a user has set in the environment stays. Worker processes
    take it from there. Where there is no glibc, nothing is changed.
    """
    ours = [k for k in _KEEP if os.environ.setdefault(k[0], str(k[2])) == str(k[2])]
    if sys.platform == "linux":
        import ctypes

        with contextlib.suppress(OSError, AttributeError):  # another C library
            mallopt = ctypes.CDLL(None).mallopt
            for _, number, size in ours:
                mallopt(number, size)


class Group(click.Group):
    """Commands that are imported when they are called, and errors in plain words.

    Parameters
    ----------
    commands_at : mapping
        Command name to ``"module:attribute"``.
    """

    def __init__(self, *args: Any, commands_at: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.commands_at = commands_at

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the registry."""
        return list(self.commands_at)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in self.commands_at:
            return None
        module, _, attribute = self.commands_at[cmd_name].partition(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with our own answer to a name that is not there."""
        name = args[0]
        if not name.startswith("-") and name not in self.commands_at:
            ctx.fail(self._unknown(name))
        return super().resolve_command(ctx, args)

    def _unknown(self, name: str) -> str:
        near = difflib.get_close_matches(name.lower(), self.commands_at, n=2)
        if near:
            return f"There is no command {name!r}. Did you mean {' or '.join(near)}?"
        if os.path.exists(name) and "check" in self.commands_at:
            return f"There is no command {name!r}. To judge this clip: quietrun check {name}"
        return f"There is no command {name!r}. quietrun --help lists them."

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        """Parse; ``--help`` and ``--version`` print here."""
        with _own_pipe_error():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command and push out what it printed."""
        keep_freed_memory()
        with _own_pipe_error():
            try:
                return super().invoke(ctx)
            finally:
                if sys.stdout is not None:
                    sys.stdout.flush()

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run the program and exit with a code of the table in README."""
        prog_name = prog_name or "quietrun"
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, False, **extra)
        # One thread for matrix products: nothing here is large enough to gain from more,
        # and starting them doubles the cost of importing numpy.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        self._exit(args, prog_name, complete_var, extra)

    def _exit(
        self,
        args: Sequence[str] | None,
        prog_name: str,
        complete_var: str | None,
        extra: Mapping[str, Any],
    ) -> NoReturn:
        try:
            result = super().main(args, prog_name, complete_var, False, **extra)
            code = result if isinstance(result, int) else 0
        except click.Abort:
            _say("Stopped.")
            code = INTERRUPTED
        except click.ClickException as error:
            _show(error)
            code = error.exit_code
        except QuietrunError as error:
            _say(f"Error: {error}")
            code = error.exit_code
        except PipeClosed:
            _abandon_stdout()
            code = PIPE_CLOSED
        except ImportError as error:
            code = _import_error(error)
        except OSError as error:
            code = _os_error(error)
        except Exception as error:
            code = _bug(error)
        _abandon_stderr()
        sys.exit(code)
