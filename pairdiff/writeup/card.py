"""A card to share: one SVG drawing with title, verdict, key figures with intervals, and one moment of both releases side by side.

SVG and not PNG: words stay words, set by whatever shows the card, so that a title in any script is right without a font of our own; no
browser is needed to make it, and the same results give the same bytes. The report's page makes a PNG of it where one is asked for.

Lengths of lines are estimated: what a line holds is cut before it could leave the card.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePath

from markupsafe import escape

from pairdiff.writeup.document import Document
from pairdiff.writeup.lead import say_lead
from pairdiff.writeup.phrases import (
    RULE_WORDS,
    say_interval,
    say_jod,
    say_nits,
    say_prose,
    say_share,
    say_state,
    say_stops,
    say_stops_interval,
    say_time,
)
from pairdiff.writeup.short_form import say_white

WIDE, HIGH, EDGE = 1200, 630, 40
"""Of the card, pixels: 1.91 to 1, which hosts show whole (common practice, no source), and what stays free at its sides (own)."""
GAP = 8
"""Between the two pictures, pixels (own)."""
PICTURE_TOP, PICTURE_ROWS = 258, 246
"""Where the pictures begin and how high they may be, pixels (own)."""
LETTER_SHARES = {"small": 0.6, "capital": 0.78, "broad": 1.12, "wide": 1.0}
"""Mean width of a letter, of its height, in a wide bold sans serif (own): small ones, capitals, those of `BROAD`, those of East Asia."""
BROAD = "mwMW@%"
SVG = "http://www.w3.org/2000/svg"
CAUTION = (
    "The label says what the pictures of these two files hold, not how they were made or what was meant. It judges pictures, not people."
)
TURNS = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Marks that change the direction of writing: one that is left open would turn the figures behind it (Unicode Annex 9, 2)."""
STYLE = (
    "text{font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans','Liberation Sans',Arial,sans-serif;fill:#d6d6d6}"
    ".strong{fill:#ececec;font-weight:600}.dim{fill:#a3a3a3}.hdr{fill:#e3ab52;font-weight:600}.sdr{fill:#8db7de;font-weight:600}"
    ".rule{stroke:#3d3d3d;fill:none}"
)


@dataclass(frozen=True, slots=True)
class Shown:
    """A moment's two pictures."""

    rule: str
    hdr_time_s: float
    sdr_time_s: float
    hdr_url: str
    sdr_url: str
    """Address of data, or whatever takes its place."""
    rows: int
    columns: int


def draw_card(result: Document, shown: Shown | None, *, credit: str = "") -> str:
    """Draw the card.

    Parameters
    ----------
    result : dict
        As in `result.json`.
    shown : Shown or None
        Pictures; without any the card holds words alone.
    credit : str
        Credit line of the pictures.

    Returns
    -------
    str
        A whole SVG file, 1200 x 630.
    """
    verdict = result["verdict"]
    body = [
        f'<rect width="{WIDE}" height="{HIGH}" fill="#1c1c1c"/>',
        _line("HDR and SDR release compared", y=42, size=17, classes="dim"),
        _line(result["title"], y=76, size=26, classes="strong"),
        _line(_capital(verdict["words"]), y=124, size=36, classes="strong"),
    ]
    sentence = _opening(result)
    body += [_line(line, y=156 + 26 * number, size=19) for number, line in enumerate(_wrap(sentence, size=19, most=3))]
    body += _pictures(result, shown) if shown else []
    for number, (name, value, note, aside) in enumerate(_figures(result)):
        x, room = EDGE + number * (WIDE - 2 * EDGE) / 4, (WIDE - 2 * EDGE) / 4 - 16
        body.append(_line(name, y=543, size=14, classes="dim", x=x, room=room))
        body.append(_line(value, y=568, size=23, classes="strong", x=x, room=room))
        beside = _length(value, 23) + 8
        body += [_line(note, y=568, size=13, classes="dim", x=x + beside, room=room - beside)] if note else []
        body.append(_line(aside, y=585, size=12.5, classes="dim", x=x, room=room))
    body.append(f'<path class="rule" d="M{EDGE} 596.5H{WIDE - EDGE}"/>')
    body.append(_line(CAUTION, y=612 if credit else 616, size=13, classes="dim"))
    body += [_line(credit, y=626, size=11, classes="dim")] if credit else []
    words = escape(_valid(describe_card(result, shown)))
    return (
        f'<svg xmlns="{SVG}" viewBox="0 0 {WIDE} {HIGH}" width="{WIDE}" height="{HIGH}" role="img" '
        f'aria-labelledby="card-t card-d"><title id="card-t">{escape(_valid(result["title"]))}</title><desc id="card-d">{words}</desc>'
        f"<style>{STYLE}</style>{''.join(body)}</svg>\n"
    )


def describe_card(result: Document, shown: Shown | None) -> str:
    """Alternative text of the card."""
    verdict = result["verdict"]
    said = f"{_valid(result['title'])}, HDR and SDR release compared: {verdict['words']}. {_opening(result)}"
    figures = []
    for name, value, *more in _figures(result)[1:]:
        asides = "; ".join(filter(None, more))
        figures.append(f"{name} {value} ({asides})" if asides else f"{name} {value}")
    moment = ""
    if shown:
        rule = RULE_WORDS.get(shown.rule, shown.rule)
        moment = f" {rule} moment of both releases side by side, HDR left at {say_time(shown.hdr_time_s)}, SDR at controls right."
    return f"{said} {'. '.join(figures)}.{moment} {CAUTION}"


def _pictures(result: Document, shown: Shown) -> list[str]:
    room = (WIDE - 2 * EDGE - GAP) / 2
    scale = min(room / shown.columns, PICTURE_ROWS / shown.rows)
    wide, high = shown.columns * scale, shown.rows * scale
    left = (WIDE - GAP) / 2 - wide
    body = []
    sides = (
        ("HDR", "hdr", shown.hdr_url, shown.hdr_time_s, left),
        ("SDR at controls", "sdr", shown.sdr_url, shown.sdr_time_s, left + wide + GAP),
    )
    for words, side, url, time_s, x in sides:
        name = PurePath(str(result[side]["path"]).replace("\\", "/")).name
        body.append(_line(words, y=PICTURE_TOP - 9, size=16, classes=side, x=x, room=wide))
        at = x + _length(words, 16) + 10
        body.append(_line(f"{say_time(time_s)}, {name}", y=PICTURE_TOP - 9, size=14, classes="dim", x=at, room=x + wide - at))
        place = f'x="{x:.1f}" y="{PICTURE_TOP}" width="{wide:.1f}" height="{high:.1f}"'
        body.append(f'<image class="of-{side}" href="{escape(url)}" {place} preserveAspectRatio="none"/>')
    how = "Both are drawn the same way, as ordinary sRGB: safe on any screen."
    rule = f"{RULE_WORDS.get(shown.rule, shown.rule)} moment, chosen by rule. {how}"
    return [*body, _line(rule, y=PICTURE_TOP + high + 17, size=13, classes="dim", x=left, room=WIDE - EDGE - left)]


def _figures(result: Document) -> list[tuple[str, str, str, str]]:
    """Name, value, what stands beside it and what below it."""
    full = result["run"]["coverage"]["mode"] == "full"
    room, own, verdict = result["headroom"], result["difference"]["on_its_own"], result["verdict"]

    def ends(value: Mapping[str, float | None], say: Callable[[float | None], str]) -> str:
        return say_interval(value["low"], value["high"], say, full=full).strip(" ()")

    measured = room["status"] == "measured"
    rows = [
        (
            "Highlight headroom",
            say_stops(room["stops"]) if measured else say_state(room["status"]),
            say_white(result).split(",")[0].strip(" ()") if measured else "",
            _stops_ends(room) if measured else "",
        )
    ]
    if own["status"] == "measured":
        loss, notice = own["preference_loss"], own["notice_probability"]
        rows.append(("Preference loss", say_jod(loss["value"]), "of the SDR", ends(loss, say_jod)))
        rows.append(("Notice probability", say_share(notice["value"]), "50\N{NO-BREAK SPACE}% is a coin toss", ends(notice, say_share)))
    else:
        rows += [(name, say_state(own["status"]), "", "") for name in ("Preference loss", "Notice probability")]
    support = verdict["support"].get(verdict["label"])
    matched = f"{say_share(result['alignment']['matched_share'])} of the HDR release matched"
    return [*rows, ("Support of the label", "none" if support is None else say_share(support), "", matched)]


def _stops_ends(room: Document) -> str:
    low, high = room.get("stops_low"), room.get("stops_high")
    if low is not None and high is None:
        return f"95\N{NO-BREAK SPACE}% interval from {say_stops(low)} up"
    return say_stops_interval(low, high).strip(" ()")


def _opening(result: Document) -> str:
    """The label in a plain sentence, else the first clause of the verdict's own, and the headroom."""
    verdict, room = result["verdict"], result["headroom"]
    said = say_lead(verdict["label"], verdict["axes"], verdict["sentence"]) or f"{_capital(_first_clause(result))}."
    if room["status"] != "measured":
        return said
    ends = _stops_ends(room)
    return f"{said} Headroom {say_stops(room['stops'])}{say_white(result)}{f' ({ends})' if ends else ''}."


def _first_clause(result: Document) -> str:
    """What the verdict's sentence says before its figures; the whole of it where it has none."""
    verdict = result["verdict"]
    sentence = say_prose(str(verdict["sentence"])).replace("cd/m2", "cd/m²")
    opening = f"{verdict['words']}:"
    if sentence.lower().startswith(opening.lower()):
        sentence = sentence[len(opening) :].strip()
    return re.split(r" \(|; |\. |\.$", sentence, maxsplit=1)[0] or say_nits(None)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _valid(text: str) -> str:
    """Text that an XML document may hold (XML 1.0, 2.2), on one line, and that turns nothing round."""
    allowed = ("\t", "\n", "\r")

    def may_be(one: str) -> bool:
        code = ord(one)
        return one in allowed or 0x20 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD or code >= 0x10000

    kept = TURNS.sub("", text)
    return " ".join("".join(one if may_be(one) else "\N{REPLACEMENT CHARACTER}" for one in kept).split())


def _letter(one: str) -> float:
    if unicodedata.category(one) in ("Mn", "Me", "Cf"):
        return 0.0
    kind = "wide" if unicodedata.east_asian_width(one) in "WF" else "broad" if one in BROAD else "capital" if one.isupper() else "small"
    return LETTER_SHARES[kind]


def _length(text: str, size: float) -> float:
    return size * sum(_letter(one) for one in text)


def _wrap(text: str, *, size: float, most: int, room: float = WIDE - 2 * EDGE) -> list[str]:
    """No more than `most` lines; what is left goes into the last one, which is cut where it is drawn."""
    lines, words = [""], _valid(text).split(" ")
    for word in words:
        longer = f"{lines[-1]} {word}".strip()
        if _length(longer, size) > room and lines[-1] and len(lines) < most:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _line(text: str, *, y: float, size: float, classes: str = "", x: float = EDGE, room: float = WIDE - 2 * EDGE) -> str:
    """A line of words that is cut where it would be longer than its room."""
    text = _valid(text)
    if _length(text, size) > room:
        length, kept = size, list[str]()
        for one in text:
            length += size * _letter(one)
            if length > room or len(kept) > 400:
                break
            kept.append(one)
        text = "".join(kept).rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" class="{classes}">{escape(text[:480])}</text>'
