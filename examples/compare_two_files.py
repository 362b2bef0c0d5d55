"""Compare two releases of a film and print the verdict with what it rests on.

python compare_two_files.py HDR SDR RESULT_FOLDER
"""

import sys
from pathlib import Path

import pairdiff


def main(hdr: Path, sdr: Path, out: Path) -> int:
    try:
        comparison = pairdiff.compare(hdr, sdr, out=out)
    except pairdiff.PairdiffError as error:  # a refusal says what is wrong, what was found and what to do
        print(error, file=sys.stderr)
        return error.exit_code
    verdict = comparison.verdict
    print(f"{comparison.title}: {verdict.words}")
    print(verdict.sentence)
    for reason in verdict.reasons:
        print(f"  because: {reason}")
    for flip in verdict.flips:
        print(f"  would change if: {flip}")
    print(f"The report is {out / 'report.html'}")
    return 0


if __name__ == "__main__":
    if len(sys.argv) != 4:
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    sys.exit(main(*map(Path, sys.argv[1:])))
