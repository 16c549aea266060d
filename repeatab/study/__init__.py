"""Study files: TOML in, the job's question and the way to its results out. Adding a job: DEVELOPERS.md."""
