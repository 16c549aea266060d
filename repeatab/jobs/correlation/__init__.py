"""The parts of a correlation check beside the engine: agreement, correction, level dependence, words."""
