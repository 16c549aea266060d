"""Layout: the terms of a model, and what the design of the data can and cannot tell apart."""
