"""Parse, call the library, print; one file for each command."""

from __future__ import annotations

import argparse
import os
import re
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from types import FrameType
from typing import Any, NoReturn

from evenbeat import __version__
from evenbeat.command.arguments import BAD_INPUT, DONE, FAULT, INTERRUPTED
from evenbeat.command.terminal import escaped_output, fault_told
from evenbeat.errors import EvenbeatError

COMMANDS = {
    "assess": ("assess", "add_assess"),
    "compare": ("assess", "add_compare"),
    "inspect": ("assess", "add_inspect"),
    "convert": ("assess", "add_convert"),
    "bench": ("bench", "add_bench"),
    "readings": ("readings", "add_readings"),
    "history": ("history", "add_history"),
    "register": ("register", "add_register"),
    "verify": ("verify", "add_verify"),
    "fleet": ("fleet", "add_fleet"),
    "collect": ("collect", "add_collect"),
    "notebooks": ("notebooks", "add_notebooks"),
    "demo": ("notebooks", "add_demo"),
    "completion": ("completion", "add_completion"),
}
"""Command to its module, which is loaded only when the command is called, and its function there."""


class _Parser(argparse.ArgumentParser):
    """A parser, and those of its commands, that answer a mistake in three lines: usage, choice, complaint."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options, allow_abbrev=False)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Parse, and say what is not known where it is not: at the command, not above it."""
        parsed, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(self._unknown(unknown))
        return parsed, unknown

    def _unknown(self, words: Sequence[str]) -> str:
        """Say which option there is not, and what could be meant."""
        option = next((word.partition("=")[0] for word in words if word.startswith("-")), "")
        if not option:
            return f"unrecognized arguments: {' '.join(words)}"
        from evenbeat.bench import KEYS

        name, command = option.lstrip("-").replace("-", "_"), self.prog.partition(" ")[2]
        if name in KEYS and command in KEYS[name].used_by:
            return f"there is no option {option}; state it with --set {name}=… or in a bench file"
        from difflib import get_close_matches

        near = get_close_matches(option, self._option_string_actions, n=2)
        return f"there is no option {option}" + (f"; did you mean {' or '.join(near)}?" if near else "")

    def error(self, message: str) -> NoReturn:
        """Say what is wrong below how the command is called, with status 2."""
        positional = [action for action in self._actions if not action.option_strings]
        words = [f"{action.metavar or action.dest}" for action in positional]
        choice = f"help: {self.prog} --help tells every option"
        for action in positional:
            if isinstance(action, argparse._SubParsersAction):
                choice = f"{action.metavar}: {', '.join(action.choices)}; {self.prog} {action.metavar} --help"
                message = re.sub(r" \(choose from .*\)$", "", message)
        usage = " ".join(["usage:", self.prog, *words, "[OPTION ...]"])
        self.exit(BAD_INPUT, f"{usage}\n{choice}\n{self.prog}: {message}\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit status."""
    words = _joined_numbers(sys.argv[1:] if argv is None else argv)
    if "--version" in words[:2] and set(words) <= {"--version", "-v", "--verbose"}:
        print(f"evenbeat {__version__}" + (f"\n{_loops()}" if len(words) > 1 else ""))
        return DONE
    with escaped_output(), _terminated_cleanly():
        return _run(words)


@contextmanager
def _terminated_cleanly() -> Iterator[None]:
    """Let SIGTERM end a command as Ctrl-C does, so that it takes half-written files away."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(_number: int, _frame: FrameType | None) -> NoReturn:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _run(words: Sequence[str]) -> int:
    arguments = command_parser(words).parse_args(words)
    try:
        status: int = arguments.run(arguments)
        sys.stdout.flush()
    except EvenbeatError as error:
        print(f"evenbeat: {error}", file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print("evenbeat: stopped", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output has gone, as with `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except MemoryError:
        print("evenbeat: there is not enough memory for this", file=sys.stderr)
        return BAD_INPUT
    except Exception as fault:  # whatever it is: one sentence, never a traceback
        print(f"evenbeat: {fault_told(fault, words)}", file=sys.stderr)
        return FAULT
    return status


def _loops() -> str:
    """Return how the sums of the deviations are computed here, and why."""
    from evenbeat.deviations.sums.kernels import COMPILED, PURE

    if COMPILED:
        return "sums of the deviations: compiled loops"
    reason = "EVENBEAT_PURE is set" if PURE else "nothing was compiled when evenbeat was installed"
    return f"sums of the deviations: numpy's loops ({reason})"


def _joined_numbers(argv: Sequence[str]) -> list[str]:
    """Join an option and a negative number, which argparse would take for another option."""
    joined: list[str] = []
    for word in argv:
        number = re.fullmatch(r"-(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*\w*", word)
        if number and joined and re.fullmatch(r"--[a-z-]+", joined[-1]):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def command_parser(words: Sequence[str] = ()) -> argparse.ArgumentParser:
    """Return the parser of all commands, or, where the first word is one, of that command alone."""
    parser: argparse.ArgumentParser = _Parser(
        prog="evenbeat",
        description="How good a timebase is, how it ages, and when to calibrate it again.",
    )
    parser.add_argument(
        "--version",
        action="version",
        version=f"evenbeat {__version__}",
        help="show the version; with -v also whether the sums of the deviations run compiled",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    called = words[:1] if words and words[0] in COMMANDS else COMMANDS
    for name in called:
        module, add = COMMANDS[name]
        getattr(import_module(f"evenbeat.command.{module}"), add)(commands)
    return parser
