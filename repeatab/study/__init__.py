"""Study files: TOML in, the job's question and the way to its results out.

A new job adds its schema in a file of its own, its template under templates/, one line in known_jobs.py, its
question to `Question` in study_file.py, and one case in run.py (the type checker asks for it).
"""
