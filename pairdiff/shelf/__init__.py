"""The archive of runs: kept, listed, ranked, compared. Outside the pipeline: it reads what `compare` has written."""
