"""The command ``ebbwatt``: runs a command, and turns its errors into one clear line."""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING

from analysis import interrupts
from analysis.parser import COMMANDS, build_parser
from logger.errors import EbbwattError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence


#: Commands that go on until they are told to stop. They say themselves from when on Ctrl-C means
#: more than the end of the process: when the loop that will hear it stands.
_UNTIL_TOLD = ("log", "probe", "watch")


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
    """Run one command and return its exit status: 0 done, 1 failed, 2 wrong use."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    only = arguments[0] if arguments and arguments[0] in COMMANDS else None
    # Before any command loads numpy: small arrays are slower on several threads, and a pool of
    # them costs memory.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        parser = build_parser(only)
        args = parser.parse_args(arguments)
        if args.command is None:
            return _without_command(args, parser)
        if args.command in _UNTIL_TOLD:
            interrupts.end_at_once()
        else:
            interrupts.raise_interrupt()
        status: int = args.run(args)
        sys.stdout.flush()
    except EbbwattError as error:
        print(f"ebbwatt: {error}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except BrokenPipeError:
        # The reader of our output has gone; leave without a second complaint at shutdown.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return status


if __name__ == "__main__":
    sys.exit(main())
