"""The archive of titles, and batches of pairs: outside the pipeline, calls only the front door."""
