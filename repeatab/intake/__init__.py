"""From files to checked Results, and from Results to one number per run and section."""
