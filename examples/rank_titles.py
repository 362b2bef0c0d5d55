"""Rank the titles of a folder of results by what their HDR release adds to the highlights.

python rank_titles.py FOLDER        FOLDER holds one folder a title, each written by `pairdiff compare`
"""

import json
import sys
from pathlib import Path


def main(folder: Path) -> None:
    results = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*/result.json"))]
    # A measure without a value is null, never 0: such titles stand at the end and say so.
    results.sort(key=lambda one: (one["headroom"]["stops"] is None, -(one["headroom"]["stops"] or 0)))
    for result in results:
        stops = result["headroom"]["stops"]
        shown = f"{stops:+6.2f} stops" if stops is not None else "no value    "
        print(f"{shown}  {result['verdict']['label']:<22}  {result['title']}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(Path(sys.argv[1]))
