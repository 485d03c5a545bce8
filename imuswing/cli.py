"""The command line: it parses, calls and prints; each command is a module of `imuswing.commands`.

Exit status: 0 done; 1 the recording cannot be used; 2 wrong usage; 3 some recordings of several could not be used.
"""

from __future__ import annotations

import argparse
import errno
import os
import re
import sys
import warnings
from collections.abc import Sequence
from difflib import get_close_matches
from functools import partial
from importlib import import_module
from typing import NoReturn

from imuswing import __version__
from imuswing.commands import COMMANDS, module_of
from imuswing.errors import ImuswingError, SettingsError

DONE, UNUSABLE, WRONG_USAGE, SOME_FAILED = 0, 1, 2, 3


class _Parser(argparse.ArgumentParser):
    """Wrong usage is one sentence, with the word that may have been meant, and where the rest can be read."""

    def error(self, message: str) -> NoReturn:
        """Print the sentence and end with the status of wrong usage."""
        wrong = re.search(r"argument (\S+): invalid choice: '(.*)' \(choose from (.*)\)", message)
        meant = ""
        if wrong:
            message = f"{wrong[1]} is {wrong[2]!r}; it must be one of {wrong[3]}"
            meant = _meant(wrong[2], re.findall(r"[^', ]+", wrong[3]))
        self._end(message, meant)

    def refuse(self, rest: Sequence[str]) -> NoReturn:
        """The sentence about arguments that this command does not take."""
        options = re.findall(r"--[a-z-]+", self.format_usage())
        self._end(f"{rest[0]!r} is not expected here", _meant(rest[0].partition("=")[0], options))

    def _end(self, message: str, meant: str) -> NoReturn:
        self.exit(WRONG_USAGE, f"{self.prog}: {message}{meant or '.'} `{self.prog} --help` tells more.\n")


def _meant(word: str, legal: Sequence[str]) -> str:
    near = get_close_matches(word, legal, n=1, cutoff=0.7)
    return f"; did you mean {near[0]!r}?" if near else ""


def build_parser() -> _Parser:
    """The whole command line; light to build, since `--help` must answer at once."""
    parser = _Parser(
        prog="imuswing",
        description="Golf-swing measures from wearable inertial sensors, each with its standard error. "
        "Not a medical device; all data stay on this computer.",
    )
    parser.add_argument("--version", action="version", version=f"imuswing {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = import_module(module_of(name))
        command = commands.add_parser(
            name,
            help=module.SUMMARY,
            description=module.SUMMARY,
            epilog=f"example:\n  {module.EXAMPLE}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(command)
        command.set_defaults(run=module.run, refuse=command.refuse)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    in_code, warnings.formatwarning = warnings.formatwarning, partial(_sentence, set())
    args = argparse.Namespace(command="")
    try:
        args, rest = build_parser().parse_known_args(arguments)
        if rest:
            args.refuse(rest)
        status: int = args.run(args)
    except SettingsError as error:
        print(f"imuswing {args.command}: {error}", file=sys.stderr)
        return WRONG_USAGE
    except ImuswingError as error:
        print(error, file=sys.stderr)
        return UNUSABLE
    except EOFError:
        # Questions come before anything is written.
        print(f"imuswing {args.command}: the input ended before all was answered; nothing was written", file=sys.stderr)
        return WRONG_USAGE
    except BrokenPipeError:
        # Whoever read the output (such as head) has seen enough; nothing more may be written at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        print(_about_file(error, args), file=sys.stderr)
        return UNUSABLE
    finally:
        warnings.formatwarning = in_code
    return status


def _about_file(error: OSError, args: argparse.Namespace) -> str:
    """A sentence about a file that cannot be read or written; libraries that name none mean what is written."""
    written_to = getattr(args, "out", None) or getattr(args, "into", None)
    where = error.filename or written_to or "file"
    # Tables of Arrow tell the number in their text only.
    if error.errno == errno.ENOSPC or f"[errno {errno.ENOSPC}]" in str(error):
        return f"{where}: no space is left on the disk; make room and start again."
    return f"{where}: {error.strerror or error}; check the path, the rights and the free space."


def _sentence(
    told: set[str], message: Warning | str, category: type[Warning], filename: str, lineno: int, line: str | None = None
) -> str:
    """A warning for users without the line of code that gave it; others keep it, since they are faults of ours.

    told: what was said already; a command may read the same recording twice.
    """
    if issubclass(category, UserWarning):
        new = str(message) not in told
        told.add(str(message))
        return f"{message}\n" if new else ""
    return f"{filename}:{lineno}: {category.__name__}: {message}\n"


if __name__ == "__main__":
    sys.exit(main())
