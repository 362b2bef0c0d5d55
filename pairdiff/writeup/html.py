"""`report.html`: one self-contained page, drawn from the stored results alone, that asks the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from numpy.typing import NDArray

from pairdiff._errors import InputRefused
from pairdiff._records import SIDES, Side
from pairdiff._settings import Settings
from pairdiff.light.transfer import bt1886_to_nits, linear_to_srgb, nits_to_bt1886
from pairdiff.score.headroom import ABOVE_MARGIN_STOPS
from pairdiff.score.scan import SDR_LEVELS_GAMMA, SDR_LEVELS_WHITE_NITS
from pairdiff.stills.draw import shrink_srgb
from pairdiff.stills.side_by_side import HDR_KINDS
from pairdiff.verdict.figures import other_setups
from pairdiff.verdict.rules import WORDS
from pairdiff.writeup import charts, film, scopes
from pairdiff.writeup.card import SVG, Shown, describe_card, draw_card
from pairdiff.writeup.contaminants import contaminant_rows, headline_rows, say_peak
from pairdiff.writeup.document import CARD, RESULT_SCHEMA, Document, refuse_output, validate_document, write_whole
from pairdiff.writeup.lead import GAINS, after_label, choose_moment, choose_proof, say_lead, share_drawn
from pairdiff.writeup.phrases import (
    ANSWER_WORDS,
    AXIS_WORDS,
    NBSP,
    RULE_WORDS,
    SEGMENT_WORDS,
    SETUP_NOTES,
    SETUP_WORDS,
    SIDE_WORDS,
    caution_few_shots,
    say_bytes,
    say_decimals,
    say_declared_check,
    say_declared_nits,
    say_deviation,
    say_estimate,
    say_exposure,
    say_fact,
    say_gamma,
    say_interval,
    say_jnd,
    say_jod,
    say_nits,
    say_number,
    say_objections,
    say_prose,
    say_share,
    say_spread,
    say_stamps,
    say_state,
    say_stops,
    say_stops_interval,
    say_time,
    say_volume,
)
from pairdiff.writeup.short_form import SHOT_TABLE, rows_to_csv, rows_to_json, say_in_markdown, say_white, shot_rows

WIDTHS = {"wide": 1080, "middle": 720, "narrow": 350}
"""Widths of the drawings of each chart, pixels (own)."""

PICTURE_BUDGETS = {
    "model": 4_600_000,
    "bracket": 2_350_000,
    "difference": 800_000,
    "light": 1_000_000,
    "outlines": 500_000,
    "waveform": 600_000,
    "chromaticity": 200_000,
    "tone": 200_000,
}
"""Bytes of encoded pictures of each kind that the page may hold; those through a curve are as large as the bracket's, which they stand
beside. Base64 makes a third more of them, 13.7 MB in all (own)."""

MOST_PAGE_BYTES = 15_000_000
"""Of the page: beyond, its pictures are made smaller (own)."""

PROOF_COLUMNS = 560
"""Width of each picture at the head of the page, pixels (own: half the column of text)."""

TITLE_LETTERS = 160
"""Of a title at the head of a page: a longer one is shown whole where it is asked for, and the verdict stays in sight (own)."""

ENCODING_THREADS = 2
"""Pictures made smaller at once: each holds several float64 copies of itself, which would be the peak memory of a comparison (own)."""


@dataclass(frozen=True, slots=True)
class _Inlined:
    """A picture ready for the page."""

    name: str
    caption: str
    pixels: NDArray[np.uint8]
    stored_columns: int
    data: bytes
    """PNG."""


def render_report(out: Path) -> Path:
    """Draw `report.html` and `card.svg` from `result.json`, `frames.parquet` and `stills/` of a result folder.

    The same results give the same bytes.

    Parameters
    ----------
    out : Path
        The result folder.

    Returns
    -------
    Path
        The report, a single file of less than 15 MB.

    Raises
    ------
    InputRefused
        The folder holds no result, or one that cannot be read.
    OutputRefused
        The report cannot be written.
    """
    out = Path(out)
    result = read_result(out)
    frames = _read_frames(out)
    shots = _read_shots(out, result["setup"])
    index = read_stills_index(out)
    environment = make_environment()
    script = _read_script(environment)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()

    def draw(share: float) -> tuple[bytes, int, str]:
        moments = _moments(result, index, out, share=share)
        context = _context(result, frames=frames, shots=shots, moments=moments, index=index) | _to_take(result, shots)
        context |= _card(result, moments)
        text = environment.get_template("report.html.j2").render(**context, script=Markup(script), script_hash=digest)
        pictures = sum(len(picture["url"]) for moment in moments for picture in moment["pictures"].values())
        return text.encode("utf-8", "backslashreplace"), pictures, _card_file(result, moments)

    page, pictures, card = draw(1.0)
    if len(page) > MOST_PAGE_BYTES:  # tables of thousands of shots leave less room for pictures
        page, _, card = draw(max(0.99 * (MOST_PAGE_BYTES - (len(page) - pictures)), 0.0) / (4 / 3 * sum(PICTURE_BUDGETS.values())))
    path = out / "report.html"
    with refuse_output(out):
        write_whole(out / CARD, lambda part: part.write_text(card, encoding="utf-8", newline="\n"))
        write_whole(path, lambda part: part.write_bytes(page))
    return path


# ---------------------------------------------------------------- reading


def read_result(out: Path) -> Document:
    """`result.json` of a result folder; `InputRefused` where it is missing, damaged or of another version."""
    result = _read_json(out / "result.json", "Run `pairdiff compare` with --out on that folder first.")
    if not isinstance(result, dict) or result.get("schema") != RESULT_SCHEMA:
        raise InputRefused(
            f"{out / 'result.json'} is not a result of this version ({RESULT_SCHEMA} is needed). Compare the releases again."
        )
    try:
        validate_document(result)
    except ValueError as wrong:
        raise InputRefused(f"{out / 'result.json'}: {wrong}. Compare the releases again.") from wrong
    return result


def _read_json(path: Path, advice: str) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as missing:
        raise InputRefused(f"{path} cannot be read ({missing.strerror}). {advice}") from missing
    except ValueError as broken:
        raise InputRefused(f"{path} is damaged ({broken}). {advice}") from broken


def _read_frames(out: Path) -> Mapping[str, NDArray[np.float64]]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = {"time": "hdr_time_s", "hdr_average": "hdr_average_nits"}
    columns |= {f"{side}_{name}": f"{side}_{name}_nits" for side in ("hdr", "sdr") for name in ("p50", "p99", "p999", "max")}
    later = {"frame": "hdr_frame", "area_203": "hdr_area_203_share", "area": "pair_area_above_white_share"}
    later |= {"loss": "preference_loss_controls_jod"}
    try:
        held = set(pq.read_schema(out / "frames.parquet").names)
        columns |= {name: column for name, column in later.items() if column in held}
        table = pq.read_table(out / "frames.parquet", columns=list(columns.values()))
        found = {name: table.column(column).to_numpy().astype(np.float64) for name, column in columns.items()}
    except (OSError, pa.ArrowException, KeyError) as broken:
        raise InputRefused(f"{out / 'frames.parquet'} cannot be read ({broken}). Compare the releases again.") from broken
    found |= {name: np.full_like(found["time"], np.nan) for name in later if name not in found}  # of an earlier version
    known = np.isfinite(found["time"])
    return {name: values[known] for name, values in found.items()}


def _read_shots(out: Path, setup: Document) -> list[Document]:
    """Figures of each shot; none from results of an earlier version, whose table lacks some of them."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        if not set(SHOT_TABLE) <= set(pq.read_schema(out / "frames.parquet").names):
            return []
        table = pq.read_table(out / "frames.parquet", columns=list(SHOT_TABLE))
        columns = {name: table.column(name).to_numpy().astype(np.float64) for name in SHOT_TABLE}
        return shot_rows(columns, white_nits=setup["white_nits"], gamma=setup["gamma"])
    except (OSError, pa.ArrowException) as broken:
        raise InputRefused(f"{out / 'frames.parquet'} cannot be read ({broken}). Compare the releases again.") from broken


def read_stills_index(out: Path) -> Document:
    """`stills/index.json` of a result folder, empty where there are no stills; `InputRefused` where it is no list of pictures."""
    path = out / "stills" / "index.json"
    if not path.exists():
        return {"moments": [], "legend": []}
    index = _read_json(path, "Compare the releases again.")
    if not isinstance(index, dict) or not isinstance(index.get("moments"), list):
        raise InputRefused(f"{path} is not a list of still pictures. Compare the releases again.")
    return index


# ---------------------------------------------------------------- pictures


def _moments(result: Document, index: Document, out: Path, *, share: float) -> list[Document]:
    """Moments with their pictures encoded; each kind of picture made smaller until it keeps that share of its budget."""
    try:
        loaded = [[_load_picture(picture, out / "stills") for picture in moment["pictures"]] for moment in index["moments"]]
        fitted = _fit_budgets([picture for pictures in loaded for picture in pictures], share=share)
        moments = []
        stops = [_stops_shown([picture.name for picture in pictures]) for pictures in loaded]
        above = [_share_above_white(one["pictures"], pictures) for one, pictures in zip(index["moments"], loaded, strict=True)]
        near = [share_drawn(one["pictures"], "near_white_share") or 0.0 for one in index["moments"]]
        proof = choose_proof(result, index["moments"], stops=stops, above_shares=above, near_shares=near)
        for number, (moment, pictures) in enumerate(zip(index["moments"], loaded, strict=True), 1):
            inlined = {picture.name: fitted.pop(0) for picture in pictures}
            own = {name: _view_picture(picture) for name, picture in inlined.items()}
            head = proof if proof is not None and number - 1 == proof.number else None
            exposed = [] if head is None or head.stops is None else [(f"dark-{side}", f"bracket-{side}-{head.stops}") for side in SIDES]
            curved = _find_curved(inlined)
            if head is not None and head.curved and curved is not None:
                exposed += [("curved-hdr", f"bracket-hdr-{curved[1]}"), ("curved-sdr", curved[0])]
            shown = [] if head is None else [*((side, f"model-{side}") for side in SIDES), *exposed]
            stored = {picture.name: picture for picture in pictures}
            small = {name: _view_picture(_narrow(stored[own])) for name, own in shown}
            colour = None if head is None else _most_colour(result, index["moments"])
            if colour is not None:
                other = {picture.name: picture for picture in loaded[colour[0] - 1]}
                names = {"colour-hdr": "model-hdr", "colour-outlines": "outlines"}
                held = {name: other[own] for name, own in names.items() if own in other}
                small |= {name: _view_picture(_narrow(one)) for name, one in held.items() if len(held) == len(names)}
            moments.append(
                {
                    **moment,
                    "pictures": own,
                    "number": number,
                    "proof": small,
                    "proof_stops": None if head is None else head.stops,
                    "proof_look": "" if head is None else head.look,
                    "proof_why": "" if head is None else head.why,
                    "proof_colour": colour,
                    "hdr_links": [_view_hdr(one, out / "stills") for one in moment.get("hdr_pictures", [])],
                    "stops": stops[number - 1],
                    "curved": curved,
                    "curved_words": "" if curved is None else _say_apart(moment["pictures"], curved[0]),
                    "scopes": _scopes(own, moment["pictures"], number),
                    "rule_words": RULE_WORDS.get(moment["rule"], moment["rule"]),
                }
            )
    except (KeyError, TypeError) as broken:
        raise InputRefused(f"{out / 'stills' / 'index.json'} is not complete ({broken}). Compare the releases again.") from broken
    _say_once(moments)
    return moments


def _most_colour(result: Document, moments: Sequence[Document]) -> tuple[int, str] | None:
    """Number of the moment with most colour outside BT.709, and how much, where that axis gains."""
    shares = [share_drawn(one["pictures"], "outside_709_share") or 0.0 for one in moments]
    most = max(range(len(shares)), key=lambda one: (shares[one], -one))
    if result["verdict"]["axes"].get("colour") not in GAINS or round(shares[most], 3) == 0:
        return None
    return most + 1, say_share(shares[most])


def _share_above_white(entries: Sequence[Document], pictures: Sequence[_Inlined]) -> float:
    """Share of the HDR picture that lies above SDR white, as outlined.

    In results that do not hold it, read off the first darker picture of its bracket; 0 where there is none.
    """
    stored = share_drawn(entries, "above_white_share")
    if stored is not None:
        return stored
    darker = next((one for one in pictures if one.name == "bracket-hdr--1"), None)
    if darker is None:
        return 0.0
    code = 255 * float(linear_to_srgb(np.array(0.5 * 2.0**ABOVE_MARGIN_STOPS)))
    return float((darker.pixels.max(axis=2) > code).mean())


def _say_once(moments: Sequence[Document]) -> None:
    """Each caption under the first picture of its kind, and under others only where they have another one."""
    said: dict[str, str] = {}
    for moment in moments:
        for name, picture in moment["pictures"].items():
            words = picture["caption"]
            picture["caption"] = "" if said.setdefault(name, "") == words else words
            said[name] = said[name] or words


def _scopes(pictures: Mapping[str, Document], entries: Sequence[Document], number: int) -> Document:
    """Drawings of a moment's scopes; none from results of an earlier version."""
    figures = {str(entry["name"]): entry.get("figures", {}) for entry in entries}
    if not {"waveform-hdr", "waveform-sdr", "chromaticity-hdr", "chromaticity-sdr", "tone"} <= set(pictures):
        return {}
    drawn = {
        f"{kind}_{side}": Markup(
            draw(pictures[f"{kind}-{side}"]["url"], figures[f"{kind}-{side}"], side=side, ident=f"{kind}-{side}-{number}")
        )
        for kind, draw in (("waveform", scopes.draw_waveform), ("chromaticity", scopes.draw_chromaticity))
        for side in SIDES
    }
    return drawn | {"tone": Markup(scopes.draw_tone(pictures["tone"]["url"], figures["tone"], ident=f"tone-{number}"))}


def _load_picture(entry: Document, directory: Path) -> _Inlined:
    name = str(entry["file"])
    if Path(name).name != name or not name.endswith(".png"):
        raise InputRefused(f"{directory / 'index.json'} names {name!r}, which is not a PNG of that folder. Compare the releases again.")
    try:
        stored = (directory / name).read_bytes()
        pixels = cv2.imdecode(np.frombuffer(stored, dtype=np.uint8), cv2.IMREAD_COLOR)
    except (OSError, cv2.error):
        pixels = None
    if pixels is None:
        raise InputRefused(f"{directory / name} is missing or no picture. Compare the releases again.")
    return _Inlined(str(entry["name"]), str(entry["caption"]), np.asarray(pixels, dtype=np.uint8), pixels.shape[1], stored)


def _fit_budgets(pictures: Sequence[_Inlined], *, share: float) -> list[_Inlined]:
    fitted: dict[int, _Inlined] = {}
    for kind, budget in PICTURE_BUDGETS.items():
        kinds = (kind, "curved") if kind == "bracket" else (kind,)
        own = {number: picture for number, picture in enumerate(pictures) if picture.name.startswith(kinds)}
        fitted |= dict(zip(own, _fit_budget(list(own.values()), round(share * budget)), strict=True))
    return [fitted[number] for number in range(len(pictures))]


def _fit_budget(pictures: Sequence[_Inlined], budget: int) -> list[_Inlined]:
    """Lossless pictures that together take no more than `budget` bytes: as large as that allows."""
    stored = sum(len(picture.data) for picture in pictures)
    if stored <= budget:
        return list(pictures)
    share = (budget / (0.85 * stored)) ** 0.5  # smaller pictures take more bytes a pixel: a first try that is rather too large
    while True:
        with ThreadPoolExecutor(ENCODING_THREADS) as pool:  # the encoder lets go of the interpreter
            encoded = list(pool.map(lambda picture, share=share: _encode(_shrink(picture, share)), pictures))
        size = sum(len(picture.data) for picture in encoded)
        if size <= budget or share < 0.05:
            return encoded
        share *= min(0.95, 0.97 * (budget / size) ** 0.5)


def _shrink(picture: _Inlined, share: float) -> _Inlined:
    columns = max(16, round(picture.pixels.shape[1] * share))
    return replace(picture, pixels=shrink_srgb(picture.pixels, max_columns=columns))


def _narrow(picture: _Inlined) -> _Inlined:
    """As small as the head of the page shows it."""
    if picture.pixels.shape[1] <= PROOF_COLUMNS:
        return picture
    return _encode(replace(picture, pixels=shrink_srgb(picture.pixels, max_columns=PROOF_COLUMNS)))


def _encode(picture: _Inlined) -> _Inlined:
    """PNG: WebP would be a third smaller, for many times the work."""
    _, data = cv2.imencode(".png", picture.pixels, [cv2.IMWRITE_PNG_COMPRESSION, 6])
    return replace(picture, data=data.tobytes())


def _view_picture(picture: _Inlined) -> Document:
    rows, columns = picture.pixels.shape[:2]
    smaller = (
        f" Held here {columns} pixels wide; the stored picture has {picture.stored_columns}." if columns < picture.stored_columns else ""
    )
    url = "data:image/png;base64," + base64.b64encode(picture.data).decode("ascii")
    return {"url": url, "rows": rows, "columns": columns, "caption": picture.caption + smaller}


def _view_hdr(entry: Document, directory: Path) -> Document:
    """Links to an HDR picture, which is never on the page itself: it would dazzle whoever only reads."""
    files, notes = [], []
    for one in entry["files"]:
        name, kind = one["file"], one["kind"]
        if name is None:
            notes.append(f"There is no {kind.upper()}: {one['note']}")
            continue
        if not isinstance(name, str) or Path(name).name != name or kind not in HDR_KINDS or not name.endswith(f".{kind}"):
            raise InputRefused(
                f"{directory / 'index.json'} names {name!r}, which is no HDR picture of that folder. Compare the releases again."
            )
        files.append({"url": f"stills/{quote(name)}", "kind": kind, "bytes": one["bytes"]})
    return {"caption": entry["caption"], "files": files, "notes": notes}


def _find_curved(pictures: Collection[str]) -> tuple[str, int] | None:
    """Name and exposure of the SDR picture through one curve, where the HDR one has that exposure; None where there is none."""
    stops = (stops for stops in _stops_of("curved-", pictures) if f"bracket-hdr-{stops}" in pictures)
    return next(((f"curved-{one}", one) for one in stops), None)


def _say_apart(entries: Sequence[Document], name: str) -> str:
    """How far the SDR picture lies from the HDR one, as it is and through the curve."""
    figures = next(one.get("figures", {}) for one in entries if one["name"] == name)
    as_set, curved = (figures.get(one) for one in ("as_set_jnd", "curved_jnd"))
    if as_set is None or curved is None:
        return ""
    return f"From the HDR picture it lies {say_jnd(curved)} away, the SDR picture as the set shows it {say_jnd(as_set)} (root mean square)."


def _stops_shown(pictures: Collection[str]) -> list[int]:
    """Exposures that both sides have, brightest first."""
    return [stops for stops in _stops_of("bracket-hdr-", pictures) if f"bracket-sdr-{stops}" in pictures]


def _stops_of(beginning: str, pictures: Collection[str]) -> list[int]:
    """Exposures of the pictures whose names begin so, brightest first."""
    found = [re.fullmatch(re.escape(beginning) + r"(0|-[1-9]\d?)", name) for name in pictures]
    return sorted((int(one[1]) for one in found if one), reverse=True)


def _legend(entries: Sequence[Document]) -> list[Document]:
    """The scale of the difference map, most different first; entries at the foot that share a colour are one."""
    foot = next((n for n, entry in enumerate(entries) if entry["rgb8"] != entries[0]["rgb8"]), 1) - 1
    rows = [{"rgb8": entry["rgb8"], "words": f"{entry['jnd']:g}"} for entry in entries[foot:]]
    if foot > 0:
        rows[0]["words"] = f"below {entries[foot]['jnd']:g}: nothing visible"
    if rows:
        rows[-1]["words"] += " and more"
    return rows[::-1]


# ---------------------------------------------------------------- what the template is given


def _context(
    result: Document, *, frames: Mapping[str, NDArray[np.float64]], shots: Sequence[Document], moments: list[Document], index: Document
) -> Document:
    return {
        "r": result,
        "label_words": WORDS,
        "setups_alone": _setups_alone(result),
        "above_margin_stops": ABOVE_MARGIN_STOPS,
        "lead": say_lead(*(result["verdict"][name] for name in ("label", "axes", "sentence"))),
        "axes": _axes(result, shots),
        "moments": moments,
        "gone_pictures": index.get("gone", 0),
        "first_curved": next((one["number"] for one in moments if one["curved"] is not None), None),
        "proof": next(({**one, "pictures": one["proof"]} for one in moments if one["proof"]), None),
        "headroom_ends": _headroom_ends(result),
        "headroom_over": say_white(result).strip(" ()") or "over SDR white, and over what the SDR shows above it",
        "legend": _legend(index.get("legend", [])),
        "light_legend": index.get("light_legend", [])[::-1],
        "setup_rows": _setup_rows(result),
        "level_rows": _level_rows(result),
        **_contaminants(result),
        "screen_pairs": _screen_pairs(result),
        "facts": _signal_rows(result),
        "segments": _segment_rows(result),
        "setting_rows": _setting_rows(result),
        "constant_rows": [one | {"value": _say_setting(one["value"])} for one in result["run"].get("constants", [])],
        "limits": _limits(result),
        "objection_groups": _objection_groups(result),
        "objection_counts": say_objections([row["state"] for row in result.get("objections", [])]),
        "charts": _charts(result, frames, shots, moments),
        "shot_word": film.shot_word(result),
        "support_rows": _support_rows(result),
        "support_notes": _support_notes(result),
        "signal_cautions": (result.get("signal_check") or {}).get("cautions", []),
        "stamps": _stamps(result),
        "page_stamp": _as_css_string("; ".join(_stamps(result))),
        "signs_unmeasured": _signs_unmeasured(result),
        "sign_rows": [_sign_row(sign) for sign in result["origin_signs"]],
        "colour_bands": _colour_bands(result),
        "saturated_bands": _saturated_bands(result),
        "full": result["run"]["coverage"]["mode"] == "full",
        "support_min": _setting(result, "support_min"),
        "reached": say_share(_setting(result, "headroom_time_share")),
    }


def _to_take(result: Document, shots: Sequence[Document]) -> Document:
    """What the page holds to be taken along: the short form, and tables as files of their own inside their links."""
    texts = (("csv", "text/csv", rows_to_csv(shots)), ("json", "application/json", rows_to_json(shots)))
    tables = [
        {"name": f"shots.{kind}", "url": f"data:{media};charset=utf-8;base64,{base64.b64encode(text.encode()).decode('ascii')}"}
        for kind, media, text in texts
        if shots
    ]
    return {"short_form": say_in_markdown(result), "shot_tables": tables, "shots_told": len(shots)}


def _shown(moment: Document, hdr_url: str, sdr_url: str) -> Shown:
    one = moment["pictures"]["model-hdr"]
    return Shown(moment["rule"], moment["hdr_time_s"], moment["sdr_time_s"], hdr_url, sdr_url, one["rows"], one["columns"])


def _card(result: Document, moments: Sequence[Document]) -> Document:
    """The card without its pictures, which the page has already, and its alternative text."""
    number = choose_moment(moments)
    shown = None if number is None else _shown(moments[number], "#", "#")
    drawn = draw_card(result, shown).rstrip("\n").replace(f' xmlns="{SVG}"', "", 1)  # which no page needs
    return {
        "card": Markup(drawn),  # every word inside was escaped where it was drawn
        "card_alt": describe_card(result, shown),
        "card_moment": number,
    }


def _card_file(result: Document, moments: Sequence[Document]) -> str:
    number = choose_moment(moments)
    if number is None:
        return draw_card(result, None)
    own = moments[number]["pictures"]
    return draw_card(result, _shown(moments[number], own["model-hdr"]["url"], own["model-sdr"]["url"]))


def _objection_groups(result: Document) -> list[Document]:
    """The objection sheet by side; none from results that were stored without it."""
    rows = [row | {"words": ANSWER_WORDS[row["state"]]} for row in result.get("objections", [])]
    groups = [
        {"words": words, "side": side, "rows": [row for row in rows if row["raised_by"] == side]} for side, words in SIDE_WORDS.items()
    ]
    return [group for group in groups if group["rows"]]


def _contaminants(result: Document) -> Document:
    """What is not the film's picture; nothing where a result of an earlier version does not say."""
    peak, found = result.get("hdr_peak"), result.get("contaminants")
    return {
        "peak_lines": say_peak(peak, found) if peak else [],
        "contaminant_rows": contaminant_rows(found) if found else [],
        "headline_rows": headline_rows(found) if found and found["found"] else [],
        "contaminant_notes": found["notes"] if found else [],
    }


def _support_notes(result: Document) -> list[str]:
    """What support cannot know where few scenes were seen."""
    return caution_few_shots(result["run"]["coverage"]["shots"]) if result["verdict"]["support"] else []


def _stamps(result: Document) -> list[str]:
    """What a reader must know before any figure: what was taken from an option instead of the file, and what the file holds unapplied."""
    stamps: list[str] = []
    for side in SIDES:
        facts = ((name, fact["value"], fact["source"]) for name, fact in result[side]["signal"].items())
        stamps += say_stamps(side, facts, result[side]["declared"].get("dynamic", []))
    return stamps


def _as_css_string(text: str) -> str:
    """Text inside a style sheet: everything but letters, digits, spaces and plain marks by its number (CSS Syntax Level 3, 4.3.7)."""
    return "".join(one if one.isascii() and (one.isalnum() or one in " .,;:()/+-") else f"\\{ord(one):06x} " for one in text)


def _headroom_ends(result: Document) -> str:
    room = result["headroom"]
    return say_stops_interval(room.get("stops_low"), room.get("stops_high")).strip(" ()") if room["status"] == "measured" else ""


def _signs_unmeasured(result: Document) -> str:
    """Names of the signs where none of them was measured; nothing as soon as one was."""
    signs = result["origin_signs"]
    return ", ".join(sign["name"].replace("_", " ") for sign in signs) if all(sign["status"] == "not_measured" for sign in signs) else ""


def _sign_row(sign: Document) -> Document:
    """A sign with its figure, its limit and what was found in words; results of an earlier version hold no more than the figure."""
    say = {"share": say_share, "JND": say_jnd}.get(sign.get("unit", ""), say_number)
    limit, found = sign.get("limit"), sign.get("found", "")
    side = "from" if sign.get("seen_when") == "at_least" else "up to"
    return sign | {
        "value_words": say(sign["value"]),
        "limit_words": "" if limit is None else f"{side} {say(limit)}",
        "found_words": f"{found[:1].upper()}{found[1:]}." if found else "",
    }


def _setting(result: Document, name: str) -> float:
    """A setting as it was used; its default where the result does not hold it."""
    return float(result["run"]["settings"].get(name, getattr(Settings(), name)))


def _saturated_bands(result: Document) -> str:
    return _say_bands((result["colour"].get("beyond_set") or {}).get("saturated_by_level"))


def _colour_bands(result: Document) -> str:
    return _say_bands(result["colour"]["outside_709_by_level"])


def _say_bands(bands: Document | None) -> str:
    return "by level: " + "; ".join(f"{say_state(band)}: {say_share(part)}" for band, part in bands.items()) if bands else ""


def _support_rows(result: Document) -> list[tuple[str, float]]:
    return sorted(result["verdict"]["support"].items(), key=lambda item: (-item[1], item[0]))


def _setups_alone(result: Document) -> tuple[int, int, str] | None:
    """How many of the other set-ups give the label alone, how many there are, and what the rest give; None where none was judged."""
    labels = {one["name"]: one["label"] for one in result["setups"] if one["label"]}
    others = other_setups([(one["name"], one["white_nits"], one["gamma"]) for one in result["setups"] if one["name"] in labels])
    given = Counter(labels[name] for name in others)
    agreeing = given.pop(result["verdict"]["label"], 0)
    rest = ", ".join(
        f"{number} \N{LEFT DOUBLE QUOTATION MARK}{WORDS[label]}\N{RIGHT DOUBLE QUOTATION MARK}" for label, number in given.most_common()
    )
    return (agreeing, len(others), f"; the others: {rest}" if rest else "") if others else None


def _axes(result: Document, shots: Sequence[Document]) -> list[Document]:
    states = result["verdict"]["axes"]
    open_ = ", as the figures stand" if result["verdict"]["label"] == "undetermined" else ""
    evidence = {"highlights": _highlight_evidence(result), "shadows": _shadow_evidence(result), "colour": _colour_evidence(result, shots)}
    counts = _axis_thresholds(result)
    rows = [
        {"name": AXIS_WORDS[name].capitalize(), "state": states[name], "words": say_state(states[name]) + open_, "evidence": evidence[name]}
        for name in evidence
    ]
    tone = result["verdict"]["tone"]
    state = {"regraded": "slightly_more", "as the SDR": "same"}.get(tone, "cannot_tell")
    rows.append({"name": "Tone", "state": state, "words": tone, "evidence": _tone_evidence(result)})
    return [row | {"counts": words, "shown": 2 if row["name"] == "Highlights" else 1} for row, words in zip(rows, counts, strict=True)]


def _axis_thresholds(result: Document) -> list[str]:
    """From where each axis counts, in their order."""

    def both(slight: str, clear: str, say: Callable[[float | None], str]) -> str:
        return f"Slightly more from {say(_setting(result, slight))}, clearly from {say(_setting(result, clear))}"

    area, time = (say_share(_setting(result, name)) for name in ("headroom_area_share", "headroom_time_share"))
    return [
        f"{both('headroom_slight_stops', 'headroom_clear_stops', say_stops)}, over {area} of the picture in {time} of matched time.",
        f"{both('shadow_slight_share', 'shadow_clear_share', say_share)} of the picture.",
        f"{both('colour_slight_share', 'colour_clear_share', say_share)} of the picture.",
        f"Regraded from {say_jnd(_setting(result, 'regraded_jnd'))}.",
    ]


def _highlight_evidence(result: Document) -> list[str]:
    room, found = result["headroom"], result["recovered"]
    if room["status"] != "measured":
        lines = [f"Headroom: {say_state(room['status'])}."]
    else:
        full = result["run"]["coverage"]["mode"] == "full"
        interval = say_interval(room["time_share_low"], room["time_share_high"], say_share, full=full)
        figure = "Peak ratio" if room["uses_peak_ratio"] else "Headroom"
        ends = say_stops_interval(room.get("stops_low"), room.get("stops_high"))
        over = "over SDR white " if room["uses_peak_ratio"] else ""
        stops, gain, controls = (say_stops(room[name]) for name in ("stops", "stops_gain", "stops_controls"))
        each = ", at gain and at controls alike" if stops == gain == controls else f": {over}{gain} at gain, {controls} at controls"
        lines = [
            f"{figure} {stops}{ends}{each}.",
            f"At the slight threshold or more in {say_share(room['time_share'])} of matched time{interval}; "
            f"on average {say_share(room['area_share'])} of the picture lies {ABOVE_MARGIN_STOPS:g} stops or more above SDR white "
            "at controls.",
        ]
        if room["uses_peak_ratio"]:
            lines.append(
                f"The SDR highlights stay well below its white, so the peak ratio was used: {say_stops(room['peak_ratio_stops'])}."
            )
    lines += _contrast_evidence(room.get("contrast"), _setting(result, "highlight_above_stops"))
    recovered = f"Recovered detail: {say_state(found['status'])}."
    if found["status"] == "measured":
        recovered = (
            f"Where the SDR clips, HDR detail stands {say_jnd(found['detail_jnd'])} above it in the median place, and 1{NBSP}JND or more "
            f"over {say_share(found['textured_share'])} of that area; the level there {say_spread(found['film_stops'])}."
        )
    law = result["free_fit"].get("power_law") and result["verdict"]["axes"]["highlights"] == "same"
    if law and room["status"] == "measured" and room["stops"] >= _setting(result, "headroom_slight_stops"):
        lines[0] += " One power law explains the whole picture, highlights included, so that this counts as no gain."
    return [lines[0], recovered, *lines[1:]]


def _contrast_evidence(contrast: Document | None, above_stops: float) -> list[str]:
    """What the highlights hold on both sides; nothing for results of an earlier version."""
    if contrast is None:
        return []
    if contrast["status"] != "measured":
        reason = (
            f": too little of the picture lies {above_stops:g} stops or more above SDR white"
            if contrast["status"] == "not_applicable"
            else ""
        )
        return [f"Highlight contrast: {say_state(contrast['status'])}{reason}."]
    hdr, sdr = (f"{say_jnd(contrast[f'{side}_jnd'])} ({say_decimals(contrast[f'{side}_stops'], 2)} stops)" for side in ("hdr", "sdr"))
    return [
        f"{above_stops:g} stops or more above SDR white ({say_share(contrast['area_share'])} of the picture, its rims left out) local "
        f"contrast is {hdr} in the HDR and {sdr} in the SDR at "
        f"controls in the median place, and 1{NBSP}JND or more is gained over {say_share(contrast['gained_share'])} of that area; "
        "grain that the highlights alone have would look like it."
    ]


def _shadow_evidence(result: Document) -> list[str]:
    shadows = result["shadows"]
    if shadows["status"] != "measured":
        why = ": the SDR release lies at its last codes over too little of the picture" if shadows["status"] == "not_applicable" else ""
        return [f"Shadow detail: {say_state(shadows['status'])}{why}."]
    where = f"Where the SDR lies at its last codes ({say_share(shadows['dark_share'])} of the picture)"
    return [f"{where}, HDR detail stands {say_jnd(shadows['gain_jnd'])} above it."]


def _colour_evidence(result: Document, shots: Sequence[Document]) -> list[str]:
    colour = result["colour"]
    if colour["status"] != "measured":
        reason = " (black-and-white picture)" if colour["status"] == "not_applicable" else ""
        return [f"Colour outside BT.709: {say_state(colour['status'])}{reason}."]
    slight, shares = _setting(result, "colour_slight_share"), [one["outside_709_share"] or 0.0 for one in shots]
    where = ""
    if shares and colour["outside_709_share"]:
        where = f"; {say_share(slight)} or more in {sum(one >= slight for one in shares)} of {len(shares)} {film.shot_word(result)}s"
    return [
        f"Outside BT.709: {say_share(colour['outside_709_share'])} of the picture{where}.",
        f"Outside P3: {say_share(colour['outside_p3_share'])}.",
        *_beyond_evidence(colour.get("beyond_set")),
    ]


def _beyond_evidence(beyond: Document | None) -> list[str]:
    """Colours that the SDR set cannot show; nothing for results of an earlier version."""
    if beyond is None or beyond["status"] != "measured":
        return []
    return [
        f"Saturated colour at 100 to 300{NBSP}cd/m² that the SDR set at controls cannot show: "
        f"{say_share(beyond['saturated_100_to_300_share'])} of the picture, in "
        f"{say_share(beyond['saturated_100_to_300_time_share'])} of matched time; a muted palette has none by itself.",
        f"Colour volume: {say_volume(beyond['hdr_volume_jnd3'])} in the HDR, {say_volume(beyond['sdr_volume_jnd3'])} in the SDR; "
        f"{say_volume(beyond['beyond_volume_jnd3'])} of the HDR's lies beyond the set, which can show "
        f"{say_volume(beyond['set_volume_jnd3'])}.",
    ]


def _tone_evidence(result: Document) -> list[str]:
    tone = result["tone"]
    if tone["status"] != "measured":
        return [f"Tone relation: {say_state(tone['status'])}."]
    return [
        f"Shift of tone and colour at flat places that the SDR does not clip: {say_jnd(tone['shift_median_jnd'])}, the median over matched "
        "time.",
        f"What one tone curve for the film leaves (95th percentile): {say_jnd(tone['residual_p95_jnd'])}.",
    ]


def _setup_rows(result: Document) -> list[Document]:
    """Set-ups with what they are in words, and why the label does not follow the headroom where it does not."""
    slight, law = result["run"]["settings"].get("headroom_slight_stops", 0.3), result["free_fit"].get("power_law")
    why = "not by this headroom: one power law explains the picture"
    return [
        {
            **setup,
            "why": why if law and setup["headroom_stops"] is not None and setup["headroom_stops"] >= slight else "",
            "words": SETUP_WORDS.get(setup["name"], setup["name"]),
            "note": SETUP_NOTES.get(setup["name"], ""),
        }
        for setup in result["setups"]
    ]


LEVELS_AT_SET = {
    "Brightest pixel (MaxCLL)": "max_cll_nits",
    "Highest 99.99th percentile": "p9999_nits",
    "Highest 99.9th percentile": "p999_nits",
    "Highest 99th percentile": "p99_nits",
}
"""Rows of the table of levels that an SDR set only moves; a mean and shares it changes otherwise."""


def _level_rows(result: Document) -> list[Document]:
    hdr, sdr = result["hdr"], result["sdr"]

    def level(side: Document, name: str, time: str | None = None) -> str:
        levels = side["levels"]
        if levels["status"] != "measured":
            return say_state(levels["status"])
        at = f" at {say_time(levels[time])}" if time and levels[time] is not None else ""
        return say_nits(levels[name]) + at

    def area(side: Document, name: str) -> str:
        levels = side["levels"]
        return say_share(levels[name]) if levels["status"] == "measured" else say_state(levels["status"])

    checks = result.get("declared_checks", [])  # results of an earlier version do not hold them
    worth = {check["name"]: say_declared_check(check["state"], looks_stamped=check["looks_stamped"]) for check in checks}
    rows = [
        (
            "Brightest pixel (MaxCLL)",
            _say_declared(hdr, "max_cll", worth),
            *(level(side, "max_cll_nits", "max_cll_time_s") for side in (hdr, sdr)),
        ),
        (
            "Highest frame average (MaxFALL)",
            _say_declared(hdr, "max_fall", worth),
            *(level(side, "max_fall_nits", "max_fall_time_s") for side in (hdr, sdr)),
        ),
        ("Frame average, letterbox included", "", *(level(side, "max_fall_whole_nits") for side in (hdr, sdr))),
        ("Highest 99.99th percentile", "", *(level(side, "p9999_nits") for side in (hdr, sdr))),
        ("Highest 99.9th percentile", "", *(level(side, "p999_nits") for side in (hdr, sdr))),
        ("Highest 99th percentile", "", *(level(side, "p99_nits") for side in (hdr, sdr))),
        ("Median", "", *(level(side, "p50_nits") for side in (hdr, sdr))),
        ("Picture above 100 cd/m²", "", *(area(side, "area_100_share") for side in (hdr, sdr))),
        ("Picture above 203 cd/m²", "", *(area(side, "area_203_share") for side in (hdr, sdr))),
        ("Picture above 1000 cd/m²", "", *(area(side, "area_1000_share") for side in (hdr, sdr))),
        ("Mastering display, peak", _say_mastering(hdr, "max_nits", worth.get("mastering_peak", "")), "", ""),
        ("Mastering display, black", _say_mastering(hdr, "min_nits"), "", ""),
    ]
    found = [{"name": name, "declared": declared, "hdr": first, "sdr": second} for name, declared, first, second in rows]
    setup, measured = result["setup"], sdr["levels"]["status"] == "measured"
    for row in found:
        nits = sdr["levels"][LEVELS_AT_SET[row["name"]]] if measured and row["name"] in LEVELS_AT_SET else None
        at_set = None if nits is None else float(_sdr_at(np.array(nits), white_nits=setup["white_nits"], gamma=setup["gamma"]))
        row["controls"] = "" if at_set is None else say_nits(at_set)
    return found


def _say_declared(side: Document, name: str, worth: Mapping[str, str]) -> str:
    state = side["declared"][f"{name}_state"]
    if state != "present":
        return say_state(state)
    said = say_declared_nits(side["declared"][f"{name}_nits"])
    return f"{said} ({worth[name]})" if name in worth else said


def _say_mastering(side: Document, name: str, worth: str = "") -> str:
    mastering = side["declared"]["mastering"]
    if mastering is None or mastering[name] is None:
        return "not declared"
    return say_declared_nits(mastering[name]) + (f" ({worth})" if worth else "")


def _signal_rows(result: Document) -> list[Document]:
    return [
        {"name": name.replace("_", " ")}
        | {side: result[side]["signal"][name] | {"words": say_fact(result[side]["signal"][name]["value"])} for side in ("hdr", "sdr")}
        for name in result["hdr"]["signal"]
    ]


def _segment_rows(result: Document) -> list[Document]:
    def span(segment: Document, side: str) -> str:
        start, stop = segment[f"{side}_start"], segment[f"{side}_stop"]
        if start is None or stop is None:
            return "\N{EM DASH}"
        first, last = _segment_s(segment, side, result)
        times = "" if first is None else f" ({say_time(first)} to {say_time(last)})"
        return f"{start} to {stop - 1}{times}"

    return [
        {
            "kind": SEGMENT_WORDS[segment["kind"]],
            "hdr": span(segment, "hdr"),
            "sdr": span(segment, "sdr"),
            "speed": "\N{EM DASH}" if segment["speed"] is None else f"{segment['speed']:.4f}",
            "confidence": "\N{EM DASH}" if segment["confidence"] is None else f"{segment['confidence']:.2f}",
        }
        for segment in result["alignment"]["segments"]
    ]


def _segment_s(segment: Document, side: str, result: Document) -> tuple[float | None, float | None]:
    """Film time of a segment's start and stop; by the frame rate where the result holds no times, None where that is not known either."""
    start, stop, rates = segment[f"{side}_start"], segment[f"{side}_stop"], _rates(result)
    if start is None or stop is None:
        return None, None
    if segment.get(f"{side}_start_s") is not None:
        return segment[f"{side}_start_s"], segment[f"{side}_stop_s"]
    return (start / rates[side], stop / rates[side]) if rates else (None, None)


def _screen_pairs(result: Document) -> str:
    """How many pairs the figures on home displays rest on."""
    screens = result.get("screens") or []
    if not screens:
        return ""
    some, scored = screens[0]["pairs"], result["run"]["coverage"]["scored_pairs"]
    other = "" if some == scored else ", so a loss here is not the film's even where a display shows all of it"
    return f"Differences rest on {some} of {scored} scored pairs{other}."


def _rates(result: Document) -> dict[str, float] | None:
    """Frames per second of both sides; None unless both are known."""
    found = {side: result[side]["signal"]["frame_rate"]["value"] for side in ("hdr", "sdr")}
    return {side: float(Fraction(value)) for side, value in found.items()} if all(found.values()) else None


def _setting_rows(result: Document) -> list[Document]:
    described = result["run"]["settings_described"]
    nothing = {"group": "", "help": "", "origin": "", "default": None}
    return [
        {"name": name, "value": _say_setting(value), "changed": name in described and value != described[name]["default"]}
        | {key: described.get(name, nothing)[key] for key in ("group", "help")}
        | {"origin": _say_origin(described.get(name, nothing)["origin"], value)}
        for name, value in result["run"]["settings"].items()
    ]


def _say_origin(origin: str, value: Any) -> str:
    """Where a value comes from; what only the user can state has no origin until it is stated."""
    if origin == "user":
        return "not set" if value is None else "stated by the user"
    return origin


def _say_setting(value: Any) -> str:
    if value is None:
        return "not set"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, dict | list) else str(value)


def _limits(result: Document) -> list[str]:
    """What was not measured, in words, and what holds for every comparison."""
    names = {
        "headroom": "Highlight headroom",
        "recovered": "Recovered detail",
        "shadows": "Shadows",
        "colour": "Colour use",
        "tone": "Tone relation",
        "free_fit": "Free fit of white and gamma",
        "viewer": "The viewer's side",
    }
    why = {
        "not_measured": "not measured in this version",
        "cannot_tell": "cannot be told from these files",
        "not_applicable": "does not apply to these pictures",
    }
    missing = [f"{words}: {why[result[name]['status']]}." for name, words in names.items() if result[name]["status"] != "measured"]
    signs = result["origin_signs"]
    if _signs_unmeasured(result):
        missing.append("Signs of SDR origin: not measured in this version.")
    elif signs and all(sign["state"] == "cannot_tell" for sign in signs):
        missing.append(f"Signs of SDR origin: none of {len(signs)} could be told.")
    dynamic = [
        f"{side.upper()} carries {words}, which was not applied."
        for side in ("hdr", "sdr")
        for words in result[side]["declared"]["dynamic"]
    ]
    return [
        *missing,
        *dynamic,
        "The SDR set is a model: BT.1886 with the printed white and gamma and a black of 0.",
        "Preference loss and notice probability are predictions of a model of this project, fitted to a published metric (ColorVideoVDP, "
        "R. K. Mantiuk et al., ACM Transactions on Graphics, 2024), not the votes of viewers. JOD: just-objectionable differences.",
        "A stretch that differs from place to place or from shot to shot (a gain map, a power window) has no one level where the SDR is "
        "clipped, and reads as HDR; an SDR that clips nowhere and was drawn up by one curve cannot be told from a grade that goes further.",
        "The report judges the pictures of these two files. It says nothing about the makers' aims.",
    ]


# ---------------------------------------------------------------- charts


def _charts(
    result: Document, frames: Mapping[str, NDArray[np.float64]], shots: Sequence[Document], moments: Sequence[Document]
) -> dict[str, Markup]:
    shown = [(float(moment["hdr_time_s"]), f"{moment['rule_words']}, {say_time(moment['hdr_time_s'])}") for moment in moments]
    panels, spans = _level_panels(result, frames), _edit_spans(result, timed=True)
    lanes = film.make_lanes(result, panels, frames, shots)

    def timeline(width: int, ident: str) -> str:
        return _timeline(result, panels, lanes=lanes, spans=spans, moments=shown, width=width, ident=ident)

    found = {
        "timeline": _each_width(timeline, "timeline") if panels else "",
        "lanes_missing": film.missing_lanes(lanes) if panels else "",
        "edit_map": _each_width(lambda width, ident: _edit_map(result, width, ident), "edit-map"),
        "tone": _each_width(lambda width, ident: _tone(result, width, ident), "tone") if result["tone"]["curve_sdr_nits"] else "",
        "support": _each_width(lambda width, ident: _support(result, width, ident), "support") if result["verdict"]["support"] else "",
        "headroom": _each_width(lambda width, ident: _headroom(result, width, ident), "headroom") if _headroom_points(result) else "",
    }
    if panels:  # inside a script element nothing may look like its end
        read_off = film.tabulate_film(result, panels, frames, shots, spans=spans)
        found["levels"] = json.dumps(read_off, allow_nan=False).replace("<", "\\u003c")
    return {name: Markup(svg) for name, svg in found.items()}  # every word inside was escaped where it was drawn


def _each_width(draw: Callable[[int, str], str], name: str) -> str:
    """Drawings of all widths; the style sheet shows one of them."""
    return "".join(f'<div class="chart {kind}">{draw(width, f"{name}-{kind}")}</div>' for kind, width in WIDTHS.items())


def _level_panels(result: Document, frames: Mapping[str, NDArray[np.float64]]) -> list[charts.LevelPanel]:
    """Levels of both releases over the film; none without measured frames."""
    white_nits, gamma = result["setup"]["white_nits"], result["setup"]["gamma"]
    names = ("p50", "p99", "p999", "max")
    if not len(frames["time"]):
        return []
    hdr = {name: frames[f"hdr_{name}"] for name in names} | {"average": frames["hdr_average"]}
    sdr = {name: _sdr_at(frames[f"sdr_{name}"], white_nits=white_nits, gamma=gamma) for name in names}
    panels = [charts.LevelPanel("HDR release", "hdr", frames["time"], hdr)]
    if np.isfinite(sdr["max"]).any():
        words = f"SDR at controls: {say_nits(white_nits)}, gamma {say_gamma(gamma)}"
        panels.append(charts.LevelPanel(words, "sdr", frames["time"], sdr, white_nits))
    return panels


def _timeline(
    result: Document,
    panels: Sequence[charts.LevelPanel],
    *,
    lanes: Sequence[charts.Lane],
    spans: Sequence[charts.Span],
    moments: Sequence[tuple[float, str]],
    width: int,
    ident: str,
) -> str:
    white_nits, hdr = result["setup"]["white_nits"], panels[0].levels
    known = hdr["p999"][np.isfinite(hdr["p999"])]
    above = float(np.mean(known > white_nits * 2**ABOVE_MARGIN_STOPS)) if len(known) else 0.0
    over = f"{ABOVE_MARGIN_STOPS:g} stops or more above SDR white ({say_nits(white_nits)})"
    summary = f"HDR 99.9th percentile {over} in {say_share(above)} of measured frames."
    if lanes:
        summary += f" Below, along the same film time: {', '.join(lane.words for lane in lanes)}; the table of shots has their figures."
    gap_s = film.SURVEY_GAP_S if film.is_survey(result) else None
    return charts.draw_timeline(
        panels,
        white_nits=white_nits,
        width=width,
        ident=ident,
        summary=summary,
        moments=moments,
        lanes=lanes,
        spans=spans,
        gap_s=gap_s,
    )


def _sdr_at(nits: NDArray[np.float64], *, white_nits: float, gamma: float) -> NDArray[np.float64]:
    """SDR levels, stored at the white and gamma that levels are stated at, at another set-up.

    Exact for percentiles and maxima: each component goes through the same rising curve, so that their order stays. Not so for a mean.
    """
    code = nits_to_bt1886(nits, white_nits=SDR_LEVELS_WHITE_NITS, gamma=SDR_LEVELS_GAMMA)
    return bt1886_to_nits(code, white_nits=white_nits, gamma=gamma)


def _edit_map(result: Document, width: int, ident: str) -> str:
    timed = bool(_edit_spans(result, timed=True))
    spans = _edit_spans(result, timed=timed)
    unit = "s" if timed else "frames"
    matched = say_share(result["alignment"]["matched_share"])
    summary = f"{len(spans)} segment{'' if len(spans) == 1 else 's'}; {matched} of the HDR release is matched. The table below lists them."
    return charts.draw_edit_map(spans, unit=unit, width=width, ident=ident, summary=summary)


def _edit_spans(result: Document, *, timed: bool) -> list[charts.Span]:
    """Segments of the edit map in seconds, none at all where the time of one is not known; or in frames."""
    segments = result["alignment"]["segments"]

    def span(segment: Document, side: Side) -> tuple[float, float] | None:
        start, stop = _segment_s(segment, side, result) if timed else (segment[f"{side}_start"], segment[f"{side}_stop"])
        return None if start is None or stop is None else (start, stop)

    if timed and any(_segment_s(one, side, result)[0] is None for one in segments for side in SIDES if one[f"{side}_start"] is not None):
        return []
    return [charts.Span(item["kind"], span(item, "hdr"), span(item, "sdr")) for item in segments]


def _tone(result: Document, width: int, ident: str) -> str:
    tone, white_nits = result["tone"], result["setup"]["white_nits"]
    top = f"{say_nits(tone['curve_sdr_nits'][-1])} of SDR is {say_nits(tone['curve_hdr_nits'][-1])} of HDR"
    summary = f"Monotone curve of the whole title; at its upper end {top}."
    return charts.draw_tone_curve(
        tone["curve_sdr_nits"], tone["curve_hdr_nits"], white_nits=white_nits, width=width, ident=ident, summary=summary
    )


def _support(result: Document, width: int, ident: str) -> str:
    rows = [(WORDS.get(label, label), share) for label, share in _support_rows(result)]
    summary = "; ".join(f"{words} {say_share(share)}" for words, share in rows)
    least = result["run"]["settings"].get("support_min")
    return charts.draw_support(rows, least=least, width=width, ident=ident, summary=summary)


def _headroom_points(result: Document) -> list[tuple[str, float]]:
    rows = [row for row in _setup_rows(result) if row["headroom_stops"] is not None]
    return [(f"{row['words']} ({row['white_nits']:.0f} cd/m²)", row["headroom_stops"]) for row in rows]


def _headroom(result: Document, width: int, ident: str) -> str:
    rows, settings = _headroom_points(result), result["run"]["settings"]
    summary = "; ".join(f"{words}: {say_stops(stops)}" for words, stops in rows)
    return charts.draw_headroom(
        rows,
        slight_stops=settings.get("headroom_slight_stops"),
        clear_stops=settings.get("headroom_clear_stops"),
        width=width,
        ident=ident,
        summary=summary,
    )


def _mark_code(text: str) -> Markup:
    """Escaped text; keys are said in words, what else stands between backticks is set as code, and cd/m2 as it is printed."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", _tie_units(str(Markup.escape(say_prose(text))).replace("cd/m2", "cd/m²"))))


def shorten(text: str, most: int = TITLE_LETTERS) -> str:
    """The beginning of a text that is longer than so many letters."""
    return text if len(text) <= most else text[:most].rstrip() + "\N{HORIZONTAL ELLIPSIS}"


def _tie_units(text: str) -> str:
    """A figure and its unit stay on one line."""
    return re.sub(r"(?<=\d) (?=(?:cd/m²|stops?|JND|JOD)(?!\w))", NBSP, text)


UNITS: dict[str, Callable[[float | None], str]] = {"jod": say_jod, "jnd": say_jnd, "share": say_share}
"""How the ends of an interval are said, by the template's name of the unit."""


def _read_script(environment: Environment) -> str:
    """The script of the page, which no other may run beside (CSP Level 3, hash of an inline script)."""
    assert environment.loader is not None
    return environment.loader.get_source(environment, "report.js")[0]


def make_environment() -> Environment:
    """Templates of the write-up, with the words that they use as filters; whatever they are given is escaped."""
    environment = Environment(
        loader=PackageLoader("pairdiff.writeup"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {
        "state": say_state,
        "number": say_number,
        "nits": say_nits,
        "stops": say_stops,
        "share": say_share,
        "gamma": say_gamma,
        "deviation": say_deviation,
        "container": lambda names: " or ".join(names.split(",")[:2]),  # the decoder names a family: "mov,mp4,m4a,..."
        "jnd": say_jnd,
        "jod": say_jod,
        "volume": say_volume,
        "estimate": lambda value, unit, full: say_estimate(value, UNITS[unit], full=full),
        "interval": lambda value, unit, full: say_interval(value["low"], value["high"], UNITS[unit], full=full).strip(" ()"),
        "clock": say_time,
        "bytes": say_bytes,
        "exposure": say_exposure,
        "code": _mark_code,
        "shorten": shorten,
        "after_label": after_label,
    }
    return environment
