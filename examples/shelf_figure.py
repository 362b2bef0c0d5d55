"""Draw the titles of a shelf: headroom with its interval as bars, notice probability beside them, coloured by label.

python shelf_figure.py FIGURE.svg [ARCHIVE]        ARCHIVE is the folder given with --archive; the user's own if left out
"""

import sys
from pathlib import Path
from xml.sax.saxutils import escape

import pairdiff

WIDTH, ROW, LEFT, RIGHT = 900, 22, 330, 40
COLOURS = {
    "wider-range": "#1b7837",
    "restrained-hdr": "#5aae61",
    "stretched-sdr": "#b2182b",
    "different-grade": "#762a83",
    "sdr-in-hdr-container": "#636363",
    "undetermined": "#969696",
}


def main(figure: Path, archive: Path | None) -> int:
    shelf = pairdiff.open_shelf(archive)
    ranking = shelf.list_runs(sort="headroom")
    if not ranking.groups:
        print(f"Nothing is kept in {shelf.folder}. Keep a run with `pairdiff keep DIR`.", file=sys.stderr)
        return 2
    group = ranking.groups[0]  # the others were measured otherwise, and have no place on one axis with these
    runs = [row for row in group.runs if row["headroom_stops"] is not None]
    figure.write_text(draw(runs), encoding="utf-8")
    without = len(group.runs) - len(runs)
    apart = sum(len(one.runs) for one in ranking.groups[1:])
    print(f"{len(runs)} titles drawn in {figure}; {without} without a headroom and {apart} measured otherwise are left out.")
    # The same runs as a table, for whatever else is to be made of them:
    table = shelf.runs(where=[f"protocol={group.protocol}"])
    print(f"The table of runs has {table.num_rows} rows and {table.num_columns} columns; shelf.pandas.runs() is a data frame.")
    return 0


def draw(runs: list[dict]) -> str:
    """A row a title: a bar of headroom, a line for its interval, the notice probability in words."""
    ends = [row[name] for row in runs for name in ("headroom_stops", "headroom_low_stops", "headroom_high_stops") if row[name] is not None]
    low, high = min([0.0, *ends]), max([1.0, *ends])

    def x(stops: float) -> float:
        return LEFT + (stops - low) / (high - low) * (WIDTH - LEFT - RIGHT - 70)

    height = 60 + ROW * len(runs)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="sans-serif" font-size="12">',
        f'<rect width="{WIDTH}" height="{height}" fill="white"/>',
        f'<text x="{LEFT}" y="20">Highlight headroom, stops; at the right: how often a viewer is predicted to pick the HDR release</text>',
    ]
    for stops in range(int(low), int(high) + 1):
        parts.append(f'<line x1="{x(stops):.1f}" x2="{x(stops):.1f}" y1="30" y2="{height - 24}" stroke="#d0d0d0"/>')
        parts.append(f'<text x="{x(stops):.1f}" y="{height - 8}" text-anchor="middle">{stops}</text>')
    for place, row in enumerate(runs):
        middle = 42 + ROW * place
        left, right = sorted((x(0), x(row["headroom_stops"])))
        title = row["title"] if len(row["title"]) <= 44 else row["title"][:43] + "\N{HORIZONTAL ELLIPSIS}"
        title = escape("".join(one if one.isprintable() else " " for one in title))
        parts.append(f'<text x="{LEFT - 10}" y="{middle + 4}" text-anchor="end">{title}</text>')
        bar = f'x="{left:.1f}" y="{middle - 6}" width="{max(right - left, 1):.1f}" height="12"'
        parts.append(f'<rect {bar} fill="{COLOURS[row["label"]]}"><title>{row["label"]}</title></rect>')
        if row["headroom_low_stops"] is not None and row["headroom_high_stops"] is not None:
            line = f'x1="{x(row["headroom_low_stops"]):.1f}" x2="{x(row["headroom_high_stops"]):.1f}" y1="{middle}" y2="{middle}"'
            parts.append(f'<line {line} stroke="black"/>')
        if row["notice_probability"] is not None:
            parts.append(f'<text x="{WIDTH - RIGHT}" y="{middle + 4}" text-anchor="end">{row["notice_probability"]:.0%}</text>')
    return "\n".join([*parts, "</svg>"]) + "\n"


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) == 3 else None))
