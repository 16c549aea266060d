"""The parts of a gauge study: data, fit, checks, sections, tables, figures, words."""
