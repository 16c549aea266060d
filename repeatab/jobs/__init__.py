"""Jobs: one module per lab question. A frozen question with run results goes in, an Outcome comes out."""
