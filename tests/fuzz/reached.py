"""Which lines of the package an input reaches, so that inputs which reach new ones are kept and bent further.

In: a call.  Out: the lines it reached for the first time. Only the first time costs: a line that was seen is no
longer watched (sys.monitoring from Python 3.12 on, a trace function before).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, TypeVar

import repeatab

ROOT = str(Path(repeatab.__file__).parent)
_T = TypeVar("_T")
_TOOL = 4  # a number that the standard library leaves to others


class Reached:
    """The lines reached so far in some part of the package."""

    def __init__(self) -> None:
        self.lines: set[tuple[str, int]] = set()
        self._left: dict[CodeType, set[int] | None] = {}
        self._fresh = 0

    def watch(self, call: Callable[[], _T]) -> tuple[_T, int]:
        """Run the call; its result and the number of lines that were reached for the first time."""
        self._fresh = 0
        if hasattr(sys, "monitoring"):
            self._monitored(True)
        else:
            sys.settrace(self._enter)
        try:
            result = call()
        finally:
            if hasattr(sys, "monitoring"):
                self._monitored(False)
            else:
                sys.settrace(None)
        return result, self._fresh

    def _note(self, code: CodeType, line: int) -> None:
        place = (code.co_filename, line)
        if place not in self.lines:
            self.lines.add(place)
            self._fresh += 1

    def _enter(self, frame: FrameType, _event: str, _argument: object) -> Any:
        code = frame.f_code
        if code not in self._left:
            ours = code.co_filename.startswith(ROOT)
            self._left[code] = {line for _, _, line in code.co_lines() if line} if ours else None
        return self._line if self._left[code] else None

    def _line(self, frame: FrameType, event: str, _argument: object) -> Any:
        left = self._left[frame.f_code]
        if event == "line" and left and frame.f_lineno in left:
            left.discard(frame.f_lineno)
            self._note(frame.f_code, frame.f_lineno)
        return self._line if left else None

    def _monitored(self, on: bool) -> None:
        monitoring: Any = sys.monitoring  # type: ignore[attr-defined]
        if monitoring.get_tool(_TOOL) is None:
            monitoring.use_tool_id(_TOOL, "lines reached")

        def line(code: CodeType, number: int) -> Any:
            if code.co_filename.startswith(ROOT):
                self._note(code, number)
            return monitoring.DISABLE

        monitoring.register_callback(_TOOL, monitoring.events.LINE, line if on else None)
        monitoring.set_events(_TOOL, monitoring.events.LINE if on else 0)
        if not on:
            monitoring.free_tool_id(_TOOL)
