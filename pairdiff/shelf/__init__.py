"""The archive of runs, and batches of pairs. Outside the pipeline: it calls the front door and reads what `compare` has written."""
