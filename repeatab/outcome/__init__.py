"""What a study found, as data only: verdicts, tables, figures, notes. No statistics, no drawing, no files."""
