"""The parts of a round robin: data, analysis, scores, tables, figures, words."""
