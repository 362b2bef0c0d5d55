"""Rank the titles of a folder of results by what their HDR release adds to the highlights.

python rank_titles.py FOLDER        FOLDER holds one folder a title, each written by `pairdiff compare`
"""

import json
import sys
from pathlib import Path


def main(folder: Path) -> int:
    if not folder.is_dir():
        print(f"{folder} is not a folder. Give the folder that holds one folder of results a title.", file=sys.stderr)
        return 2
    results = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*/result.json"))]
    if not results:
        print(f"{folder} holds no */result.json. Write some with `pairdiff compare HDR SDR --out {folder}/TITLE`.", file=sys.stderr)
        return 2
    # A measure without a value is null, never 0: such titles stand at the end and say so.
    results.sort(key=lambda one: (one["headroom"]["stops"] is None, -(one["headroom"]["stops"] or 0)))
    for result in results:
        stops = result["headroom"]["stops"]
        shown = f"{stops:+6.2f} stops" if stops is not None else "no value    "
        print(f"{shown}  {result['verdict']['label']:<22}  {result['title']}")
    return 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    sys.exit(main(Path(sys.argv[1])))
