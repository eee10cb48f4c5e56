"""The command ``ebbwatt``: runs a command, and turns its errors into one clear line."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from typing import TYPE_CHECKING

from analysis import interrupts
from analysis.parser import COMMANDS, build_parser
from logger.errors import EbbwattError, UsageError
from logger.refusals import one_line
from logger.system.signals import leaving_cleanly

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence


#: Commands that run until they are told to stop. Each handles signals itself, from when its loop
#: runs; until then a signal ends the process.
_UNTIL_TOLD = ("log", "probe", "watch")


#: Longest error, characters: long enough for two paths, short enough not to flood a terminal.
_LONGEST = 2000


def _without_command(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    if args.man:
        from analysis.manual import as_roff, manual

        sys.stdout.write(as_roff(manual()))
        return 0
    if args.completion:
        from analysis.completion import completion

        sys.stdout.write(completion(parser, args.completion))
        return 0
    parser.print_help()
    return 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 failed, 2 wrong use.

    If a signal ends it, or the reader of its output has gone, the status is the shell's: 128 plus
    the number of the signal.
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    # Set before any command loads numpy: small arrays are slower on several threads, and a pool of
    # threads costs memory.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    only = arguments[0] if arguments and arguments[0] in COMMANDS else None
    with leaving_cleanly(from_now=only not in _UNTIL_TOLD) as left:
        try:
            status = _run(arguments, only)
            sys.stdout.flush()
        except BrokenPipeError:
            status = 128 + signal.SIGPIPE
        except KeyboardInterrupt:
            status = 128 + signal.SIGINT if left.number is None else left.status
        except SystemExit as end:
            if left.number is None:
                # The parser ended the command, for instance after showing help.
                status = end.code if isinstance(end.code, int) else 0
            else:
                status = left.status
        except OSError as error:
            if error.filename is None:
                raise
            what = error.strerror or "the system does not say why it cannot be used"
            if isinstance(error, PermissionError):
                what = "this user may not open it; look at its owner and mode with 'ls -ld'"
            _complain(f"ebbwatt: {one_line(str(error.filename), _LONGEST)}: {what}")
            status = 1
        except EbbwattError as error:
            if left.number is None:
                # The text may hold names and content of files, so escape it.
                _complain(f"ebbwatt: {one_line(str(error), _LONGEST)}")
                status = error.exit_status
            else:
                status = left.status
    return status if _let_go_of_output() else status or 128 + signal.SIGPIPE


def _run(arguments: list[str], only: str | None) -> int:
    parser = build_parser(only)
    args, unknown = parser.parse_known_args(arguments)
    if unknown:
        command = f"ebbwatt {args.command}" if args.command else "ebbwatt"
        raise UsageError(f"unknown argument: {' '.join(unknown)}. See '{command} --help'.")
    if args.command is None:
        return _without_command(args, parser)
    if args.command in _UNTIL_TOLD:
        interrupts.end_at_once()
    else:
        interrupts.raise_interrupt()
    status: int = args.run(args)
    return status


def _complain(line: str) -> None:
    with contextlib.suppress(OSError):  # the terminal may be gone
        print(line, file=sys.stderr, flush=True)


def _let_go_of_output() -> bool:
    """Write the rest of the output; return whether it was taken.

    If the reader has gone, drop the rest here, or else the interpreter would report it at exit.
    """
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
