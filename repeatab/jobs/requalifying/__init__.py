"""The parts of a requalification: design, views of the shift, burdens, tables, words."""
