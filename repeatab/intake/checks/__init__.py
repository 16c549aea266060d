"""The checks on a table of results: each gives findings that name the file and the rows."""
