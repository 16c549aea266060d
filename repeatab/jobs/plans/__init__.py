"""The parts of a plan: questions, trials of layouts, the run sheet, tables."""
