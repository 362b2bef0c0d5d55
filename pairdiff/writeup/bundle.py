"""A folder to upload: a page, pictures as files of several widths, texts, checksums; and whether what lies there is still what was made.

A host may write pictures again, smaller or in another form. What it may not do is change the light in them: of each picture the light of
a coarse grid is stored, and held against what is there.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import InputRefused, OutputRefused, UsageError
from pairdiff._records import FileCheck
from pairdiff.light.transfer import srgb_to_linear
from pairdiff.stills.draw import shrink_srgb
from pairdiff.writeup.card import Shown, describe_card, draw_card
from pairdiff.writeup.document import CARD, Document, refuse_output
from pairdiff.writeup.hdr_image import decode_hdr
from pairdiff.writeup.html import ENCODING_THREADS, make_environment, read_result, read_stills_index
from pairdiff.writeup.lead import choose_moment, choose_proof, say_lead, share_drawn
from pairdiff.writeup.phrases import RULE_WORDS, say_time
from pairdiff.writeup.short_form import say_figures, say_in_markdown

BUNDLE_SCHEMA = "pairdiff-bundle/1"
WIDTHS = (1280, 640)
"""Widths of pictures where none are asked for, pixels (own)."""
LEAST_WIDTH, MOST_WIDTH = 64, 7680
GRID_ROWS, GRID_COLUMNS = 7, 12
"""Cells whose mean light is stored (own: a host that shrinks a picture keeps them, one that brightens it does not)."""
LIGHT_SHARES = {"srgb": 0.05, "nits": 0.02}
"""How far each component of a cell may have moved, of the largest of the three (own): hosts average codes, not light, where they shrink a
picture, which takes a few percent off fine detail; HDR pictures are to come as they are."""
LIGHT_FLOOR = 0.002
"""And how far at least, of white of the encoding or, in HDR pictures, in units of 100 cd/m2 (own): coding noise in the dark."""
PAGE, MANIFEST, SUMS = "index.html", "bundle.json", "SHA256SUMS"
COPIED = ("report.html", "result.json", "frames.parquet")
CARD_COLUMNS = 834
"""Width of a picture on the card, pixels (own: one and a half times what the card shows)."""

ALT = {
    "model-hdr": "The HDR release on the common display model",
    "model-sdr": "The SDR release on the same display model",
    "difference": "Map of the visible difference: dark grey nothing visible, lighter more different",
    "light-hdr": "Luminance of the HDR picture, the lighter the brighter, with contours at 100, 203 and 1000 cd/m2",
    "light-sdr": "Luminance of the SDR picture on the same scale",
    "outlines": "The HDR picture in grey; a whole line around what is brighter than SDR white, a broken one around colours outside BT.709",
    "waveform-hdr": "Waveform of the HDR picture, without axes: level over its columns, 10 000 cd/m2 at the top, even on the PQ scale",
    "waveform-sdr": "Waveform of the SDR picture at controls, without axes, on the same scale",
    "chromaticity-hdr": "Chromaticity of the HDR picture, without axes: u' from 0 to 0.65 across, v' from 0 to 0.6 up",
    "chromaticity-sdr": "Chromaticity of the SDR picture, without axes, on the same scale",
    "tone": "HDR over SDR level of each pixel, without axes, both even on the PQ scale",
    "hdr-side-by-side": "HDR release left, SDR release right, both at their true levels; needs an HDR screen",
}


# ---------------------------------------------------------------- making


def make_bundle(out: str | os.PathLike[str], target: str | os.PathLike[str], *, credit: str = "", widths: Sequence[int] = WIDTHS) -> Path:
    """Write a folder to upload from a result folder; an earlier one at that place is replaced, anything else there is left alone.

    Parameters
    ----------
    out : path
        Folder that `compare` wrote.
    target : path
        The folder to make.
    credit : str
        Credit line of every picture; empty: the page says that none was given.
    widths : sequence of int
        Widths of pictures, pixels; none is made wider than it was drawn.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    UsageError
        A width that cannot be.
    InputRefused
        The folder holds no result.
    OutputRefused
        The place cannot be written, or holds something else.
    """
    out, target = Path(out), Path(target)
    widths = sorted({int(width) for width in widths}, reverse=True)
    if not widths or not all(LEAST_WIDTH <= width <= MOST_WIDTH for width in widths):
        raise UsageError(f"--width: found {', '.join(map(str, widths)) or 'none'}, expected {LEAST_WIDTH} to {MOST_WIDTH} pixels.")
    result, index = read_result(out), read_stills_index(out)
    _check_names(index, out)
    if target.exists() and any(target.iterdir()) and not (target / MANIFEST).is_file():
        raise OutputRefused(f"{target} holds something that is no bundle. Give another --out, or empty that folder.")
    with refuse_output(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{target.name}.part-", dir=target.parent))
        try:
            moments = _write_pictures(out, work, index, credit=credit, widths=widths)
            for name in COPIED:
                if (out / name).is_file():
                    shutil.copyfile(out / name, work / name)
            card = _write_card(out, work, result, index, credit=credit)
            _write_texts(work, result, moments, credit=credit, card=card, head=_head(result, index))
            _write_sums(work)
            work.chmod(0o755)
            _replace(work, target)
        finally:
            shutil.rmtree(work, ignore_errors=True)
    return target / PAGE


def _check_names(index: Document, out: Path) -> None:
    """Names become parts of file names: a folder that someone else made must not have them lead elsewhere."""
    try:
        names = [picture["name"] for moment in index["moments"] for picture in moment["pictures"]]
        held = [picture for moment in index["moments"] for picture in moment.get("hdr_pictures", [])]
        names += [one["name"] for one in held] + [file["kind"] for one in held for file in one["files"]]
    except (KeyError, TypeError, AttributeError) as broken:
        raise InputRefused(f"{out / 'stills' / 'index.json'} is not complete ({broken}). Compare the releases again.") from broken
    for name in names:
        if not (isinstance(name, str) and re.fullmatch(r"[a-z0-9-]{1,40}", name)):
            raise InputRefused(f"{out / 'stills' / 'index.json'} names a picture {name!r}. Compare the releases again.")


def _write_pictures(out: Path, work: Path, index: Document, *, credit: str, widths: Sequence[int]) -> list[Document]:
    """Every picture at every width, as (moment, its pictures)."""
    folder = work / "pictures"
    folder.mkdir()
    moments = []
    for number, moment in enumerate(index["moments"], 1):
        with ThreadPoolExecutor(ENCODING_THREADS) as pool:
            many = pool.map(
                lambda one, n=number, m=moment: _write_widths(out, work, n, one, m, credit=credit, widths=widths), moment["pictures"]
            )
            pictures = [picture for some in many for picture in some]
        for held in moment.get("hdr_pictures", []):
            for file in held["files"]:
                if file["file"] is None:
                    continue
                data, light = _read_picture(out / "stills" / Path(file["file"]).name, unit="nits")
                name = f"pictures/{number:02d}-{held['name']}.{file['kind']}"
                (work / name).write_bytes(data)
                pictures.append(_describe(name, held, moment, light, credit=credit, unit="nits"))
        moments.append({name: moment[name] for name in ("rule", "reason", "hdr_time_s", "sdr_time_s", "hdr_frame", "sdr_frame")})
        moments[-1]["pictures"] = pictures
    return moments


def _write_widths(
    out: Path, work: Path, number: int, one: Document, moment: Document, *, credit: str, widths: Sequence[int]
) -> list[Document]:
    """One picture at every width; at its own it is copied."""
    stored, pixels = _read_picture(out / "stills" / Path(one["file"]).name, unit="srgb")
    found = []
    for width in sorted({min(width, pixels.shape[1]) for width in widths}, reverse=True):
        small = shrink_srgb(pixels, max_columns=width)
        name = f"pictures/{number:02d}-{one['name']}-{width}.png"
        data = stored if small is pixels else cv2.imencode(".png", small, [cv2.IMWRITE_PNG_COMPRESSION, 6])[1].tobytes()
        (work / name).write_bytes(data)
        found.append(_describe(name, one, moment, small, credit=credit))
    return found


def _write_card(out: Path, work: Path, result: Document, index: Document, *, credit: str) -> str:
    """The card with its credit line; returned is its alternative text."""
    number, shown = choose_moment(index["moments"]), None
    if number is not None:
        moment = index["moments"][number]
        named = {one["name"]: one["file"] for one in moment["pictures"]}
        urls = []
        for side in ("hdr", "sdr"):
            pixels = shrink_srgb(
                _read_picture(out / "stills" / Path(named[f"model-{side}"]).name, unit="srgb")[1], max_columns=CARD_COLUMNS
            )
            data = cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 6])[1].tobytes()
            urls.append("data:image/png;base64," + base64.b64encode(data).decode("ascii"))
        rows, columns = pixels.shape[:2]
        shown = Shown(moment["rule"], moment["hdr_time_s"], moment["sdr_time_s"], urls[0], urls[1], rows, columns)
    (work / CARD).write_text(draw_card(result, shown, credit=credit), "utf-8", newline="\n")
    return describe_card(result, shown)


def _describe(name: str, one: Document, moment: Document, pixels: NDArray[Any], *, credit: str, unit: str = "srgb") -> Document:
    kind, stops = one["name"].partition("-")[0], one["name"].rpartition("-")[2]
    side = "HDR" if "hdr" in one["name"] else "SDR"
    below = "0 stops" if stops == "0" else f"minus {stops} {'stop' if stops == '1' else 'stops'}"
    through = " through one curve for all moments" if kind == "curved" else ""
    exposure = f"The {side} release{through}, {below}: linear gain and hard clip" if kind in ("bracket", "curved") else ""
    at = f"{RULE_WORDS.get(moment['rule'], moment['rule'])} moment, HDR {say_time(moment['hdr_time_s'])}"
    return {
        "file": name,
        "name": one["name"],
        "alt": f"{ALT.get(one['name'], exposure or one['name'])}; {at}",
        "caption": one["caption"],
        "credit": credit,
        "rows": pixels.shape[0],
        "columns": pixels.shape[1],
        "unit": unit,
        "light": _grid(pixels, unit=unit).round(5).tolist(),
    }


def _head(result: Document, index: Document) -> int | None:
    """Number of the moment whose pair opens the page, as in the report."""
    listed = index["moments"]
    above, near = ([share_drawn(one["pictures"], name) or 0.0 for one in listed] for name in ("above_white_share", "near_white_share"))
    proof = choose_proof(result, listed, stops=[[]] * len(listed), above_shares=above, near_shares=near)
    return None if proof is None else proof.number


def _write_texts(work: Path, result: Document, moments: list[Document], *, credit: str, card: str, head: int | None) -> None:
    manifest = {
        "schema": BUNDLE_SCHEMA,
        "title": result["title"],
        "label": result["verdict"]["label"],
        "credit": credit,
        "light_shares": LIGHT_SHARES,
        "moments": moments,
        "files": {name: _hash(work / name) for name in (*COPIED, CARD) if (work / name).is_file()},
        "pictures": {one["file"]: _hash(work / one["file"]) for moment in moments for one in moment["pictures"]},
    }
    (work / MANIFEST).write_text(json.dumps(manifest, ensure_ascii=False, allow_nan=False) + "\n", "utf-8", "backslashreplace")
    lines = [
        f"{one['file']}\n  alt: {one['alt']}\n  caption: {one['caption']}\n  credit: {credit or 'none given'}"
        for moment in moments
        for one in moment["pictures"]
    ]
    lines.append(f"{CARD}\n  alt: {card}\n  credit: {credit or 'none given'}")
    (work / "texts.txt").write_text("\n\n".join(lines) + "\n", "utf-8", "backslashreplace")
    (work / "short_form.md").write_text(say_in_markdown(result), "utf-8", "backslashreplace")
    page = (
        make_environment()
        .get_template("bundle.html.j2")
        .render(
            r=result,
            lead=say_lead(*(result["verdict"][name] for name in ("label", "axes", "sentence"))),
            moments=[_view(one) for one in moments],
            credit=credit,
            figures=say_figures(result),
            head=head,
        )
    )
    (work / PAGE).write_text(page, "utf-8", "backslashreplace")


def _view(moment: Document) -> Document:
    """A moment for the page: of each picture the widest, the others to choose from."""
    kinds: dict[str, list[Document]] = {}
    for one in moment["pictures"]:
        kinds.setdefault(one["name"], []).append(one)
    shown = {name: {**files[0], "files": files} for name, files in kinds.items() if files[0]["unit"] == "srgb"}
    hdr = [one for one in moment["pictures"] if one["unit"] == "nits"]
    return {**moment, "rule_words": RULE_WORDS.get(moment["rule"], moment["rule"]), "pictures": shown, "hdr": hdr}


def _write_sums(work: Path) -> None:
    """As GNU coreutils' sha256sum writes and checks them."""
    names = sorted(path.relative_to(work).as_posix() for path in work.rglob("*") if path.is_file())
    (work / SUMS).write_text("".join(f"{_hash(work / name)}  {name}\n" for name in names), "utf-8")


def _replace(work: Path, target: Path) -> None:
    """Put the new folder in the place of the old one, which is gone only once the new one is there."""
    old = None
    if target.exists():
        old = target.with_name(f".{target.name}.old-{work.name.rsplit('-', 1)[-1]}")
        target.rename(old)
    try:
        work.rename(target)
    except OSError:
        if old is not None:
            old.rename(target)
        raise
    if old is not None:
        shutil.rmtree(old, ignore_errors=True)


# ---------------------------------------------------------------- verifying


def verify_bundle(folder: str | os.PathLike[str]) -> tuple[FileCheck, ...]:
    """Hold every file of a bundle against what was written.

    Parameters
    ----------
    folder : path
        The bundle, or what was fetched back from a host: pictures may have another ending, and be smaller.

    Returns
    -------
    tuple of FileCheck
        Pictures, then the page's data, then the page and its texts.

    Raises
    ------
    InputRefused
        No bundle lies there, or its list is damaged.
    """
    folder = Path(folder)
    manifest = _read_manifest(folder)
    try:
        pictures = [(one, manifest["pictures"][one["file"]]) for moment in manifest["moments"] for one in moment["pictures"]]
        checks = [_check_picture(folder, one, digest) for one, digest in pictures]
        checks += [_check_file(folder, name, digest) for name, digest in manifest["files"].items()]
    except (KeyError, TypeError, ValueError, AttributeError) as broken:
        raise InputRefused(f"{folder / MANIFEST} is not complete ({broken}). Make the bundle again.") from broken
    return (*checks, *_check_others(folder, {check.file for check in checks}))


def _check_others(folder: Path, checked: Collection[str]) -> list[FileCheck]:
    """The page, its texts and the list of the bundle itself, by `SHA256SUMS`."""
    try:
        lines = (folder / SUMS).read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return [FileCheck(SUMS, "missing", "no list of checksums that can be read")]
    rows = [line.split("  ", 1) for line in lines if line.strip()]
    if not all(len(row) == 2 and re.fullmatch("[0-9a-f]{64}", row[0]) for row in rows):
        return [FileCheck(SUMS, "changed", "no list of checksums any more")]
    listed = {name: digest for digest, name in rows}
    left_out = [FileCheck(name, "changed", f"not in {SUMS}") for name in (PAGE, MANIFEST) if name not in listed]
    return [*left_out, *(_check_file(folder, name, digest) for name, digest in listed.items() if name not in checked)]


def _read_manifest(folder: Path) -> Document:
    path = folder / MANIFEST
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except OSError as missing:
        raise InputRefused(f"{path} cannot be read ({missing.strerror}). Give the folder that `pairdiff bundle` made.") from missing
    except ValueError as broken:
        raise InputRefused(f"{path} is damaged ({broken}). Make the bundle again.") from broken
    if not isinstance(manifest, dict) or manifest.get("schema") != BUNDLE_SCHEMA:
        raise InputRefused(f"{path} is no list of a bundle ({BUNDLE_SCHEMA} is needed). Give the folder that `pairdiff bundle` made.")
    return manifest


def _check_picture(folder: Path, one: Document, digest: str) -> FileCheck:
    name = one["file"]
    path = _find(folder, name)
    if path is None:
        return FileCheck(name, "missing", "no file of that name")
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() == digest:
        return FileCheck(name, "as written", "")
    pixels = _decode(data, unit=one["unit"])
    if pixels is None:
        return FileCheck(name, "not readable", f"{path.name} is no picture of its kind any more")
    found, wanted = _grid(pixels, unit=one["unit"]), np.array(one["light"])
    moved = np.abs(found - wanted)
    allowed = LIGHT_SHARES[one["unit"]] * wanted.max(axis=2, keepdims=True) + LIGHT_FLOOR
    worst = np.unravel_index(int(np.argmax(moved / allowed)), moved.shape)
    size = f"{pixels.shape[1]} x {pixels.shape[0]}" + ("" if pixels.shape[:2] == (one["rows"], one["columns"]) else ", another size")
    share = float((found[worst] - wanted[worst]) / max(wanted[worst[:2]].max(), LIGHT_FLOOR))
    said = f"{path.name}, {size}; light moved by {100 * share:+.1f} % where it moved most"
    return FileCheck(name, "written again" if (moved <= allowed).all() else "changed", said)


def _check_file(folder: Path, name: str, digest: str) -> FileCheck:
    path = folder / name
    if ".." in Path(name).parts or Path(name).is_absolute() or not path.is_file():
        return FileCheck(name, "missing", "no file of that name")
    same = _hash(path) == digest
    return FileCheck(name, "as written" if same else "changed", "" if same else "other bytes than were written")


def _find(folder: Path, name: str) -> Path | None:
    """The file, or the same name with the ending that a host gave it; only inside the folder."""
    if Path(name).is_absolute() or ".." in Path(name).parts:
        raise InputRefused(f"{folder / MANIFEST} names {name!r}, which lies outside the bundle. Make the bundle again.")
    path = folder / name
    if path.is_file():
        return path
    others = sorted(other for other in path.parent.glob("*") if other.stem == path.stem and other.is_file())
    return others[0] if others else None


# ---------------------------------------------------------------- pictures


def _read_picture(path: Path, *, unit: str) -> tuple[bytes, NDArray[Any]]:
    """A picture of the result, as it is stored and decoded."""
    try:
        stored = path.read_bytes()
    except OSError:
        stored = b""
    pixels = _decode(stored, unit=unit)
    if pixels is None:
        raise InputRefused(f"{path} is missing or no picture. Compare the releases again.")
    return stored, pixels


def _decode(data: bytes, *, unit: str) -> NDArray[Any] | None:
    """Codes as OpenCV has them (blue, green, red), or light of an HDR picture, cd/m2; None where it cannot be decoded."""
    try:
        if unit == "nits":
            return decode_hdr(data)
        return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except (cv2.error, ValueError, OSError, EOFError, IndexError, StopIteration):  # FFmpeg's own are among them
        return None


def _grid(pixels: NDArray[Any], *, unit: str) -> NDArray[np.float64]:
    """Mean light of the cells of a grid, (row, column, 3): 1 is white of the encoding, or 100 cd/m2 of an HDR picture."""
    light = pixels / 100.0 if unit == "nits" else srgb_to_linear(pixels / 255.0)
    found = cv2.resize(np.ascontiguousarray(light, np.float32), (GRID_COLUMNS, GRID_ROWS), interpolation=cv2.INTER_AREA)
    return np.asarray(found, np.float64)


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
