"""The invented laboratory: its sections in numbers, and how one run comes about.

In: a section, effects and a random generator.  Out: friction values, per run result or per stop.
Not here: which sets ran where (the data set files), how a table becomes a file (demo_files).

The numbers are invented within the working figures of the trade (common practice, no source):
friction 0.3 to 0.5, a section mean repeats within 0.005 to 0.015, cold and fade two to three times
worse than the characteristic check.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

LABORATORY = "Hollin Lane friction laboratory (invented)"
SEED = 20260302
# Half of the variance of a set (and of a run) is common to all its sections: a hot-pressed pad that
# reads high in the characteristic check tends to read high in fade as well.
SHARED_VARIANCE = 0.5
START_TEMPERATURE_SD = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section of the programme: level and scatter in friction units, temperatures in degrees C.

    `level` is the mean of the section at nominal temperatures, `set_sd` the scatter between pad sets of
    one lot, `run_sd` between runs of one set, `stop_sd` between stops of one run.  `stop_trend` is the
    change from the first to the last stop; `temperature_effect` the change per degree of start temperature.
    """

    name: str
    level: float
    set_sd: float
    run_sd: float
    stop_sd: float
    stops: int
    stop_trend: float = 0.0
    temperature_effect: float = -0.00005
    first_start: float = 100.0
    last_start: float = 100.0
    first_pressure: float = 30.0
    last_pressure: float = 30.0
    pressure_effect: float = 0.0

    @property
    def run_result_sd(self) -> float:
        """Repeatability of the section mean on one set: run scatter and what the stops leave in a mean."""
        return float(np.hypot(self.run_sd, self.stop_result_sd))

    @property
    def stop_result_sd(self) -> float:
        """Scatter that single stops leave in the section mean, temperature control included."""
        single = np.hypot(self.stop_sd, self.temperature_effect * START_TEMPERATURE_SD)
        return float(single / np.sqrt(self.stops))

    @property
    def fresh_set_sd(self) -> float:
        """Scatter of section means when every run has a fresh set: sets and repeatability in one."""
        return float(np.hypot(self.set_sd, self.run_result_sd))

    def nominal_temperatures(self) -> np.ndarray:
        """Start temperature of every stop; in fade it rises on a logarithmic scale."""
        return np.geomspace(self.first_start, self.last_start, self.stops)

    def pressures(self) -> np.ndarray:
        """Line pressure of every stop in bar."""
        return np.linspace(self.first_pressure, self.last_pressure, self.stops)


SECTIONS = {
    section.name: section
    for section in (
        Section(name="bedding", level=0.375, set_sd=0.006, run_sd=0.006, stop_sd=0.008, stops=12,
                stop_trend=0.02),
        Section(name="characteristic", level=0.402, set_sd=0.0040, run_sd=0.0035, stop_sd=0.004, stops=6,
                stop_trend=0.002),
        Section(name="pressure sensitivity", level=0.395, set_sd=0.0045, run_sd=0.0040, stop_sd=0.004,
                stops=8, first_pressure=10.0, last_pressure=80.0, pressure_effect=-0.0004),
        Section(name="cold", level=0.358, set_sd=0.008, run_sd=0.009, stop_sd=0.006, stops=1,
                first_start=40.0, last_start=40.0),
        Section(name="fade 1", level=0.345, set_sd=0.008, run_sd=0.008, stop_sd=0.008, stops=15,
                temperature_effect=-0.00025, first_start=100.0, last_start=550.0),
        Section(name="recovery", level=0.388, set_sd=0.005, run_sd=0.0045, stop_sd=0.005, stops=18,
                stop_trend=0.008),
        Section(name="final characteristic", level=0.398, set_sd=0.0045, run_sd=0.0040, stop_sd=0.004,
                stops=6, stop_trend=0.002),
    )
}  # fmt: skip


def generator(data_set: int) -> np.random.Generator:
    """A generator of its own for every data set, so that changing one leaves the others as they are.

    The numbers were picked so that few runs show what is true; a demo that misleads by chance teaches little.
    Nothing about error rates can be learnt from them.
    """
    return np.random.default_rng([SEED, data_set])


def across_sections(rng: np.random.Generator, sds: Mapping[str, float]) -> dict[str, float]:
    """One random effect per section with the given SDs, sharing half of their variance."""
    common = rng.standard_normal()
    own = rng.standard_normal(len(sds))
    mixed = np.sqrt(SHARED_VARIANCE) * common + np.sqrt(1 - SHARED_VARIANCE) * own
    return {name: float(sd * value) for (name, sd), value in zip(sds.items(), mixed, strict=True)}


def set_effects(rng: np.random.Generator, names: Iterable[str], *, scale: float = 1.0) -> dict[str, float]:
    """What this pad set adds in every section, against the mean of its lot."""
    return across_sections(rng, {name: scale * SECTIONS[name].set_sd for name in names})


def run_effects(rng: np.random.Generator, names: Iterable[str], *, scale: float = 1.0) -> dict[str, float]:
    """What this run adds in every section, stops apart."""
    return across_sections(rng, {name: scale * SECTIONS[name].run_sd for name in names})


def run_results(rng: np.random.Generator, effects: Iterable[Mapping[str, float]], names: Iterable[str],
                *, scale: float = 1.0) -> dict[str, float]:  # fmt: skip
    """Section means of one run: level, the given effects (0 where a section is left out), run and stops."""
    names, effects = list(names), list(effects)
    run = run_effects(rng, names, scale=scale)
    results = {}
    for name in names:
        section = SECTIONS[name]
        fixed = section.level + sum(effect.get(name, 0.0) for effect in effects)
        results[name] = fixed + run[name] + scale * section.stop_result_sd * float(rng.standard_normal())
    return results


def stop_rows(rng: np.random.Generator, section: Section, effect: float) -> list[dict[str, float]]:
    """All stops of one section of one run; their mean is level + effect + what the stops leave.

    Trend, pressure and temperature terms are centred, so that the section mean stays the level.
    """
    nominal, pressure = section.nominal_temperatures(), section.pressures()
    start = nominal + START_TEMPERATURE_SD * rng.standard_normal(section.stops)
    position = np.linspace(-0.5, 0.5, section.stops) if section.stops > 1 else np.zeros(1)
    mu = (
        section.level
        + effect
        + section.stop_trend * position
        + section.pressure_effect * (pressure - pressure.mean())
        + section.temperature_effect * (start - nominal.mean())
        + section.stop_sd * rng.standard_normal(section.stops)
    )
    return [
        {"stop": stop + 1, "pressure_bar": pressure[stop], "start_temp_C": start[stop], "mu": mu[stop]}
        for stop in range(section.stops)
    ]


def rounded(effects: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """Realised effects for a truth file: what these rigs or sets really add, beside the SD they came from."""
    return {key: {name: round(value, 5) for name, value in effect.items()} for key, effect in effects.items()}


def true_sections(names: Iterable[str]) -> dict[str, dict[str, float]]:
    """The section table as the truth files state it."""
    return {
        name: {
            "level": SECTIONS[name].level,
            "set_sd": SECTIONS[name].set_sd,
            "run_sd": SECTIONS[name].run_sd,
            "stop_sd": SECTIONS[name].stop_sd,
            "stops": SECTIONS[name].stops,
            "repeatability_of_section_mean": round(SECTIONS[name].run_result_sd, 6),
            "sd_of_section_mean_with_fresh_sets": round(SECTIONS[name].fresh_set_sd, 6),
        }
        for name in names
    }
