"""The command line: one file a command in `bench/commands`, each with `add_parser` and `work`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module

from bench.errors import InputError, TopboxError

COMMANDS = (
    "check", "run", "sweep", "selfcheck", "simulate", "ports", "wiring", "records", "report", "dossier", "verify",
    "rejudge", "compare", "keys", "new",
)  # fmt: skip
CAUTION = (
    "This software is not a safety device. The hardware shutdown loop and the emergency stop protect people; "
    "work on live high voltage is for qualified people under local rules; zero voltage is proven with an "
    "approved tester, never by this tool."
)


def parser(commands: Sequence[str] = COMMANDS) -> argparse.ArgumentParser:
    top = argparse.ArgumentParser(
        prog="topbox-bench",
        description="Runs test sequences on the high-voltage control box of an electric race car.",
        epilog=CAUTION,
    )
    subparsers = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in commands:
        import_module(f"bench.commands.{name}").add_parser(subparsers)
    return top


def main(arguments: list[str] | None = None) -> int:
    """Run one command; the exit status (see `bench.errors` and `bench.verdicts`)."""
    arguments = sys.argv[1:] if arguments is None else arguments
    asked = arguments[:1] if arguments and arguments[0] in COMMANDS else COMMANDS  # the others need not be loaded
    parsed = parser(asked).parse_args(arguments)
    try:
        return import_module(f"bench.commands.{parsed.command}").work(parsed)
    except InputError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    except TopboxError as error:
        print(f"topbox-bench: error: {error}", file=sys.stderr)
        return error.exit_status
    except BrokenPipeError:  # the reader of our output has gone
        sys.stderr.close()
        return 3
    except KeyboardInterrupt:
        return 3


if __name__ == "__main__":
    sys.exit(main())
