"""Copies published examples and tables of simulated rates into the package, where its dossier finds them.

`python tests/dossier/carry.py` after either has changed. A test holds the copies to be the same.
"""

from __future__ import annotations

from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
CARRIED = TESTS.parent / "repeatab" / "dossier" / "data"

EXAMPLES = (
    "strd_sirstv", "strd_atmwtag", "strd_smls01", "dyestuff", "dyestuff2", "pastes", "penicillin", "rail", "machines",
    "oxide", "oxide_source", "relocation_unbalanced", "gauge_missing", "gauge_temperature", "handbook_ten_parts",
    "judges_subjects",
)  # fmt: skip
STANDARDS = (
    "iso5725_2_sulfur_in_coal", "iso5725_2_softening_point_of_pitch", "e691_serum_glucose",
    "critical_values_consistency_tests", "robust_copper_in_flour", "algorithm_S_factors", "performance_scores",
    "consensus_bcg_trials", "reproducibility_as_uncertainty", "chart_factors_n2_to_n15",
    "arl_supplementary_run_rules", "arl_shewhart_and_cusum", "arl_ewma", "check_standard_resistivity",
    "two_process_means", "two_one_sided_tests", "agreement_peak_flow", "errors_in_both_variables_equal",
    "handbook_bias_example",
)  # fmt: skip


def wanted() -> dict[Path, Path]:
    """Every carried file, by where it belongs, and what it is a copy of."""
    found = {}
    for room, names in (("variance", EXAMPLES), ("standards", STANDARDS)):
        for name in names:
            for source in sorted((TESTS / "reference" / room).glob(f"{name}.*")):
                found[CARRIED / "reference" / source.name] = source
    for source in sorted((TESTS / "assurance").glob("*.md")):
        found[CARRIED / "rates" / source.name] = source
    return found


def carry() -> None:
    """Make the copies, and take away what is none any more."""
    copies = wanted()
    for folder in ("reference", "rates"):
        (CARRIED / folder).mkdir(parents=True, exist_ok=True)
        for present in (CARRIED / folder).iterdir():
            if present not in copies:
                present.unlink()
    for copy, source in copies.items():
        copy.write_bytes(source.read_bytes())


if __name__ == "__main__":
    carry()
