"""What reaches the terminal: text whose control characters are escaped, and a fault of our own told once."""

from __future__ import annotations

import contextlib
import os
import platform
import sys
import tempfile
import traceback
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from evenbeat import __version__

_CONTROLS = (
    *(*range(0x20), *range(0x7F, 0xA0)),  # C0 and C1
    *(0x061C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)),  # directions and line ends
)
_ESCAPES = {code: ascii(chr(code))[1:-1] for code in _CONTROLS if chr(code) not in "\n\t"}


class _Escaped:
    """A stream that shows the control characters of logs and instruments instead of obeying them."""

    def __init__(self, stream: TextIO) -> None:
        self.terminal = stream

    def write(self, text: str) -> int:
        """Write a text with its control characters escaped."""
        return self.terminal.write(text.translate(_ESCAPES))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.terminal, name)


@contextlib.contextmanager
def escaped_output() -> Iterator[None]:
    """Escape what is printed; a character that the terminal cannot show becomes a question mark."""
    redirections = {"stdout": contextlib.redirect_stdout, "stderr": contextlib.redirect_stderr}
    with contextlib.ExitStack() as stack:
        for name, redirected in redirections.items():
            stream = getattr(sys, name)
            if stream is None:  # it was closed before the command began
                stream = stack.enter_context(Path(os.devnull).open("w", encoding="utf-8"))
            elif hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="replace")
            stack.enter_context(redirected(_Escaped(stream)))
        yield


def terminal_of(stream: TextIO) -> TextIO:
    """Return the stream itself, for a display that moves the cursor."""
    return getattr(stream, "terminal", stream)


def fault_told(fault: BaseException, argv: Sequence[str]) -> str:
    """Return the sentence on a fault of this program, its details written to a file."""
    what = f"{type(fault).__name__}: {fault}".strip(": ").splitlines()[0][:200]
    now = datetime.now(UTC)
    details = [
        f"evenbeat {__version__}, Python {platform.python_version()}, {platform.platform()}",
        f"{now:%Y-%m-%dT%H:%M:%SZ}",
        f"arguments: {list(argv)!r}",
        "",
        "".join(traceback.format_exception(fault)),
    ]
    try:
        descriptor, path = tempfile.mkstemp(prefix=f"evenbeat-fault-{now:%Y%m%d-%H%M%S}-", suffix=".txt")
        with os.fdopen(descriptor, "w", encoding="utf-8", errors="replace") as file:
            file.write("\n".join(details))
    except OSError as error:
        where = f"the details could not be written ({error.strerror})"
    else:
        where = f"the details are in {path}"
    return f"internal fault ({what}), which should not happen whatever the input is; {where}"
