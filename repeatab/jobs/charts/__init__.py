"""The parts of a control-chart study: data, regimes, signals, tables, figures, words."""
