"""A folder to upload, and what becomes of it: checksums by coreutils, pictures written again by Pillow as hosts do, Chromium."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageEnhance

from pairdiff._errors import InputRefused, NotAsWritten, OutputRefused, UsageError
from pairdiff.writeup.bundle import MANIFEST, PAGE, SUMS, _decode, make_bundle, verify_bundle
from pairdiff.writeup.document import write_comparison
from pairdiff.writeup.short_form import say_figures

WIDTHS = (480, 240)
CREDIT = 'The Salt Ferry, "Grey Harbour" & sons <2031> ' + "x" * 800


@pytest.fixture(scope="module")
def result_folder(examples: Any, example: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With pictures large enough that a host would make them smaller; tests must not change it."""
    out = tmp_path_factory.mktemp("large")
    write_comparison(example, examples.make_stills(example, rows=270, columns=480)[:16], out)
    return Path(out)


def opened(path: Path) -> Image.Image:
    with Image.open(path) as picture:
        return picture.convert("RGB")


@pytest.fixture(scope="module")
def made(result_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Tests must not change it."""
    target = tmp_path_factory.mktemp("upload") / "bundle"
    make_bundle(result_folder, target, credit=CREDIT, widths=WIDTHS)
    return Path(target)


@pytest.fixture
def host(made: Path, tmp_path: Path) -> Path:
    """A copy that a host may write again."""
    return Path(shutil.copytree(made, tmp_path / "host"))


def states(folder: Path) -> dict[str, str]:
    return {one.file: one.state for one in verify_bundle(folder)}


def first(folder: Path, name: str, width: int = 480) -> Path:
    return folder / "pictures" / f"01-{name}-{width}.png"


def test_every_file_has_a_checksum_that_coreutils_bears_out(made: Path) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("coreutils are not installed")
    said = subprocess.run(["sha256sum", "--check", "--strict", SUMS], cwd=made, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
    there = {path.relative_to(made).as_posix() for path in made.rglob("*") if path.is_file()}
    assert {line.split(": ")[0] for line in said.stdout.splitlines()} == there - {SUMS}


def test_a_bundle_that_was_just_made_holds(made: Path, result_folder: Path) -> None:
    found = verify_bundle(made)
    assert {one.state for one in found} == {"as written"}
    index = json.loads((result_folder / "stills" / "index.json").read_text())
    drawn = [picture for moment in index["moments"] for picture in moment["pictures"]]
    assert {one.file for one in found} == {path.relative_to(made).as_posix() for path in made.rglob("*") if path.is_file()} - {SUMS}
    assert len(found) == 8 + sum(len({min(width, picture["columns"]) for width in WIDTHS}) for picture in drawn)


def test_the_page_says_what_a_label_is_not_quoted_without(made: Path) -> None:
    """README, Cautions: its support, its headroom with the interval, and the version."""
    page = (made / "index.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    result = json.loads((made / "result.json").read_text(encoding="utf-8"))
    for name, words in say_figures(result):
        assert f"<li>{name}: {words}</li>".replace("\N{NO-BREAK SPACE}", " ") in page
    assert "95 % interval" in dict(say_figures(result))["Preference loss"].replace("\N{NO-BREAK SPACE}", " ")
    assert "Support of the label" in page
    assert f"Made by pairdiff {result['run']['versions']['pairdiff']}" in page


def test_one_stop_is_one(made: Path) -> None:
    texts = (made / "texts.txt").read_text(encoding="utf-8")
    assert "minus 1 stop:" in texts
    assert "minus 2 stops:" in texts
    assert "minus 1 stops" not in texts


def test_pictures_have_the_widths_that_were_asked_for_and_their_light(made: Path, result_folder: Path) -> None:
    """Pillow reads them; light by IEC 61966-2-1."""

    def light(path: Path) -> float:
        code = np.asarray(opened(path)) / 255
        return float(np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).mean())

    stored = next((result_folder / "stills").glob("01-*model-hdr.png"))
    for width in WIDTHS:
        path = first(made, "model-hdr", width)
        assert opened(path).size[0] == width
        assert light(path) == pytest.approx(light(stored), rel=0.01)


def test_none_is_made_wider_than_it_was_drawn_and_its_own_width_is_a_copy(result_folder: Path, tmp_path: Path) -> None:
    make_bundle(result_folder, tmp_path / "b", widths=(7000, 3000))
    stored = next((result_folder / "stills").glob("01-*model-hdr.png"))
    columns = opened(stored).size[0]
    assert (tmp_path / "b" / "pictures" / f"01-model-hdr-{columns}.png").read_bytes() == stored.read_bytes()
    assert len(list((tmp_path / "b" / "pictures").glob("01-model-hdr-*"))) == 1


@pytest.mark.parametrize(("ending", "options"), [("jpg", {"quality": 85}), ("webp", {"quality": 85}), ("png", {"optimize": True})])
@pytest.mark.parametrize("share", [1.0, 0.7])
def test_what_a_host_writes_again_in_another_form_or_size_still_holds(
    host: Path, ending: str, options: dict[str, Any], share: float
) -> None:
    path = first(host, "model-hdr")
    picture = opened(path)
    path.unlink()
    size = round(picture.width * share), round(picture.height * share)
    picture.resize(size, Image.Resampling.BOX).save(path.with_suffix(f".{ending}"), **options)
    found = {one.file: one for one in verify_bundle(host)}[path.relative_to(host).as_posix()]
    assert found.state == "written again", found.detail
    assert found.holds
    assert ("another size" in found.detail) == (share < 1)


@pytest.mark.parametrize("what", ["brightness", "contrast", "colour", "turned", "patch"])
def test_another_picture_is_told(host: Path, what: str) -> None:
    path = first(host, "model-hdr")
    picture = opened(path)
    if what == "patch":
        picture.paste((255, 255, 255), (40, 30, 100, 80))
    else:
        picture = {
            "brightness": lambda: ImageEnhance.Brightness(picture).enhance(1.06),
            "contrast": lambda: ImageEnhance.Contrast(picture).enhance(1.15),
            "colour": lambda: ImageEnhance.Color(picture).enhance(0.7),
            "turned": lambda: picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT),
        }[what]()
    picture.save(path)
    assert states(host)[path.relative_to(host).as_posix()] == "changed"


def test_what_is_missing_or_no_picture_and_another_result_are_told(host: Path) -> None:
    first(host, "model-sdr").unlink()
    first(host, "difference").write_bytes(b"no picture")
    (host / "result.json").write_text("{}")
    (host / "report.html").unlink()
    found = {name: state for name, state in states(host).items() if state != "as written"}
    assert found == {
        "pictures/01-model-sdr-480.png": "missing",
        "pictures/01-difference-480.png": "not readable",
        "result.json": "changed",
        "report.html": "missing",
    }


@pytest.mark.parametrize("name", ["index.html", "short_form.md", "texts.txt", "bundle.json", "SHA256SUMS"])
def test_what_readers_see_is_held_against_what_was_written_too(host: Path, name: str) -> None:
    path = host / name
    text = path.read_text(encoding="utf-8")
    if name == "bundle.json":
        path.write_text(text + "\n", encoding="utf-8")
    elif name == "SHA256SUMS":
        path.write_text("<html>not found</html>\n", encoding="utf-8")
    else:
        path.write_text(text.replace("HDR", "SDR", 1), encoding="utf-8")
    assert {one: state for one, state in states(host).items() if state != "as written"} == {name: "changed"}
    path.unlink()
    if name == "bundle.json":
        with pytest.raises(InputRefused):
            verify_bundle(host)
    else:
        assert {one: state for one, state in states(host).items() if state != "as written"} == {name: "missing"}


def test_a_page_that_was_struck_off_the_list_of_checksums_is_told(host: Path) -> None:
    sums = host / "SHA256SUMS"
    sums.write_text("".join(line for line in sums.read_text("utf-8").splitlines(True) if "index.html" not in line), encoding="utf-8")
    assert states(host)["index.html"] == "changed"


def test_the_command_says_so_and_ends_with_6(host: Path) -> None:
    def verify() -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-m", "pairdiff", "verify", str(host)], capture_output=True, text=True, check=False)

    said = verify()
    assert (said.returncode, said.stderr) == (0, "")
    assert "still holds" in said.stdout
    first(host, "model-sdr").unlink()
    said = verify()
    assert said.returncode == NotAsWritten.exit_code == 6
    assert "missing       pictures/01-model-sdr-480.png" in said.stdout
    assert "1 of " in said.stderr
    assert "Traceback" not in said.stderr


def test_an_earlier_bundle_is_replaced_and_anything_else_left_alone(result_folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "b"
    make_bundle(result_folder, target, widths=(100,))
    make_bundle(result_folder, target, widths=(90,))
    assert {path.name.rsplit("-", 1)[-1] for path in (target / "pictures").glob("*model-hdr*")} == {"90.png"}
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine")
    with pytest.raises(OutputRefused, match="no bundle"):
        make_bundle(result_folder, other)
    assert [path.name for path in other.iterdir()] == ["letter.txt"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b", "other"]


def test_nothing_is_left_of_one_that_could_not_be_made(result_folder: Path, tmp_path: Path) -> None:
    spoilt = Path(shutil.copytree(result_folder, tmp_path / "result"))
    next((spoilt / "stills").glob("01-*outlines.png")).write_bytes(b"")
    with pytest.raises(InputRefused, match="missing or no picture"):
        make_bundle(spoilt, tmp_path / "b")
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


@pytest.mark.parametrize("width", [10, 9000])
def test_widths_that_cannot_be_are_refused(result_folder: Path, tmp_path: Path, width: int) -> None:
    with pytest.raises(UsageError, match="--width"):
        make_bundle(result_folder, tmp_path / "b", widths=(640, width))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "pairdiff-bundle/9"}', '{"schema": "pairdiff-bundle/1"}'])
def test_a_list_that_is_damaged_is_refused(host: Path, text: str) -> None:
    (host / MANIFEST).write_text(text)
    with pytest.raises(InputRefused, match=MANIFEST):
        verify_bundle(host)


def test_names_that_lead_out_of_the_bundle_are_refused(host: Path) -> None:
    manifest = json.loads((host / MANIFEST).read_text())
    picture = manifest["moments"][0]["pictures"][0]
    manifest["pictures"]["../../outside.png"] = manifest["pictures"].pop(picture["file"])
    picture["file"] = "../../outside.png"
    (host / MANIFEST).write_text(json.dumps(manifest))
    with pytest.raises(InputRefused, match="outside the bundle"):
        verify_bundle(host)


def test_the_page_shows_every_picture_with_alt_text_and_credit_and_no_console_message(made: Path, browser: Any) -> None:
    met: list[str] = []
    page = browser.new_context(offline=True, viewport={"width": 390, "height": 800}).new_page()
    page.on("console", lambda message: met.append(message.text))
    page.goto((made / PAGE).resolve().as_uri())
    page.evaluate("document.querySelectorAll('img').forEach(one => { one.loading = 'eager' })")
    until_s = time.monotonic() + 30  # asked from here: what waits in the page is compiled there, which its own policy forbids
    while not page.evaluate("[...document.images].every(one => one.complete)"):
        assert time.monotonic() < until_s, page.evaluate("[...document.images].filter(one => !one.complete).map(one => one.src)")
        page.wait_for_timeout(50)
    shown = page.evaluate("[...document.images].map(one => [one.naturalWidth, one.alt])")
    credits_ = page.locator(".credit").all_inner_texts()
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert met == []
    assert shown
    assert all(columns > 0 and alt for columns, alt in shown)
    assert credits_
    assert set(credits_) == {CREDIT}
    assert wide <= 390


@pytest.mark.parametrize("name", ["../../escaped", "a/b", "", None, "x" * 99])
def test_names_in_a_result_that_someone_else_made_lead_nowhere(result_folder: Path, tmp_path: Path, name: Any) -> None:
    other = Path(shutil.copytree(result_folder, tmp_path / "result"))
    index = json.loads((other / "stills" / "index.json").read_text())
    index["moments"][0]["pictures"][0]["name"] = name
    (other / "stills" / "index.json").write_text(json.dumps(index))
    with pytest.raises(InputRefused, match=r"index\.json"):
        make_bundle(other, tmp_path / "b")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["result"]


@pytest.mark.parametrize("data", [b"", b"no picture", b"\x89PNG\r\n\x1a\n" + bytes(40), b"\0\0\0\x1cftypavif" + bytes(60)])
def test_an_hdr_picture_that_is_none_is_told(data: bytes) -> None:
    assert _decode(data, unit="nits") is None
    assert _decode(data, unit="srgb") is None
