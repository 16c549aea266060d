"""Growth: time and peak memory of an ordinary call as rows, levels and sections grow, as tables and a chart in text.

`python tests/benchmarks/growth.py [rows] [levels] [sections]`; every size is measured in a process of its own.
rows : 12 rigs × 200 sets with more and more stops; levels : more and more pad sets, ten runs each on 50 rigs at
random; sections : more and more balanced studies of 3 rigs × 10 sets × 3 in one table.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from measure import Side, python_task, run_once

SIZES = {
    "rows": (24_000, 96_000, 384_000, 1_536_000, 6_144_000),
    "levels": (250, 1_000, 4_000, 16_000, 64_000),
    "sections": (10, 100, 1_000, 10_000, 40_000),
}
MARKS = {"rows": "r", "levels": "l", "sections": "s"}
WIDTH, HEIGHT = 60, 14


def measured(what: str, size: int) -> Side:
    side = Side()
    run_once(side, python_task("growth", what, str(size)), whole=False, limit=600, threads=1)
    return side


def table(what: str, found: dict[int, Side]) -> str:
    lines = [f"| {what} | fastest | median | peak | time grows as size to the |", "|---|---|---|---|---|"]
    before: tuple[int, float] | None = None
    for size, side in found.items():
        if side.failed:
            lines.append(f"| {size:,} | {side.failed} | | | |")
            continue
        fastest = side.spread[0]
        power = "" if before is None else f"{math.log(fastest / before[1]) / math.log(size / before[0]):.2f}"
        lines.append(
            f"| {size:,} | {1e3 * fastest:.3g} ms | {1e3 * side.median:.3g} ms | {side.peak:.0f} MiB | {power} |"
        )
        before = size, fastest
    return "\n".join(lines)


def chart(found: dict[str, dict[int, Side]]) -> str:
    """Fastest time over size, both on logarithmic scales."""
    points = [
        (math.log10(size), math.log10(side.spread[0]), MARKS[what])
        for what, sides in found.items()
        for size, side in sides.items()
        if not side.failed
    ]
    left, right = min(x for x, _, _ in points), max(x for x, _, _ in points)
    low, high = math.floor(min(y for _, y, _ in points)), math.ceil(max(y for _, y, _ in points))
    grid = [[" "] * (WIDTH + 1) for _ in range(HEIGHT + 1)]
    for x, y, mark in points:
        row = HEIGHT - round((y - low) / (high - low) * HEIGHT)
        grid[row][round((x - left) / max(right - left, 1e-9) * WIDTH)] = mark
    lines = []
    for i, row in enumerate(grid):
        exponent = high - i * (high - low) / HEIGHT
        label = f"{10**exponent:8.3g} s" if i % 2 == 0 else " " * 10
        lines.append(f"{label} |{''.join(row)}")
    lines.append(" " * 11 + "+" + "-" * (WIDTH + 1))
    lines.append(" " * 12 + f"{10**left:<12,.0f}" + f"{10**right:>{WIDTH - 11},.0f}")
    lines.append(" " * 12 + ", ".join(f"{MARKS[what]} {what}" for what in found))
    return "\n".join(lines)


def main() -> None:
    asked = [word for word in sys.argv[1:] if word in SIZES] or list(SIZES)
    found: dict[str, dict[int, Side]] = {}
    for what in asked:
        found[what] = {size: measured(what, size) for size in SIZES[what]}
        print(table(what, found[what]) + "\n", flush=True)
    print(chart(found))


if __name__ == "__main__":
    main()
