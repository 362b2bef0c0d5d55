"""The whole result on disk: `result.json`, `frames.parquet`, `stills/`, and one self-contained report drawn from nothing but those."""
