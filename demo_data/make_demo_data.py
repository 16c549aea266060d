"""Write the demo data of an invented friction laboratory, or check that the stored files are these.

    python demo_data/make_demo_data.py            writes every file beside this script
    python demo_data/make_demo_data.py --check    exit status 1 and a list if a stored file differs

Text files are compared byte for byte, workbooks value for value.
"""

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import change_sets
import comparison_sets
import gauge_sets
import messy_set
import reference_sets
from demo_files import DemoSet, Sheets, is_stored, save

HERE = Path(__file__).resolve().parent
DATA_SETS = (
    comparison_sets.monthly_correlation,
    comparison_sets.crossover_correlation,
    messy_set.messy_labels,
    gauge_sets.gauge_study,
    gauge_sets.gauge_study_balanced,
    gauge_sets.run_folder,
    change_sets.relocation,
    change_sets.lot_comparison,
    reference_sets.round_robin,
    reference_sets.reference_history,
)


def all_files() -> Iterator[tuple[str, bytes | Sheets]]:
    """Every demo file and its truth, by name relative to this folder."""
    for make in DATA_SETS:
        made: DemoSet = make()
        yield from made.files.items()
        yield f"{made.name}.truth.json", made.truth_bytes()


def differing(folder: Path) -> list[str]:
    """Names of the files in `folder` that are missing or differ from what the generator makes."""
    return [name for name, content in all_files() if not is_stored(content, folder / name)]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Demo data of an invented friction laboratory.")
    parser.add_argument("--check", action="store_true", help="compare with the stored files, write nothing")
    parser.add_argument(
        "--folder", type=Path, default=HERE, help="where the files are (default: beside this script)"
    )
    options = parser.parse_args(arguments)
    if options.check:
        wrong = differing(options.folder)
        for name in wrong:
            print(f"{name}: missing, or not what the generator makes; run demo_data/make_demo_data.py")
        return 1 if wrong else 0
    for name, content in all_files():
        save(content, options.folder / name)
    return 0


if __name__ == "__main__":
    sys.exit(main())
