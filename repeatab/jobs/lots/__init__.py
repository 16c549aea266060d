"""The parts of a lot comparison: specification, percentage rule, wear, words."""
