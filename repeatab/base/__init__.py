"""The ground floor: errors, notes, intervals, margins, safe file writing, progress. Imports nothing of ours."""
