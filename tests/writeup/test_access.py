"""The pages as axe-core (MPL 2.0; of the package axe-playwright-python) judges them: no serious fault for whoever sees badly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pairdiff.writeup.bundle import make_bundle

axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core judges the pages")


@pytest.fixture(scope="module")
def pages(result_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    bundle = make_bundle(result_folder, tmp_path_factory.mktemp("upload") / "bundle", credit="someone", widths=(100,))
    return {"report": result_folder / "report.html", "bundle": bundle}


@pytest.mark.parametrize("name", ["report", "bundle"])
@pytest.mark.parametrize(("columns", "scheme"), [(1280, "light"), (768, "dark"), (390, "light")])
def test_no_serious_fault_is_found(browser: Any, pages: dict[str, Path], name: str, columns: int, scheme: str) -> None:
    page = browser.new_context(offline=True, viewport={"width": columns, "height": 900}, color_scheme=scheme).new_page()
    page.goto(pages[name].resolve().as_uri())
    found = axe.Axe().run(page).response
    page.close()
    assert len(found["passes"]) > 15
    serious = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
    assert not serious, [(one["id"], one["nodes"][0]["html"][:300], one["nodes"][0].get("failureSummary")) for one in serious]


def test_a_fault_that_is_planted_is_found(browser: Any, pages: dict[str, Path]) -> None:
    page = browser.new_context(offline=True).new_page()
    page.goto(pages["report"].resolve().as_uri())
    page.evaluate("document.querySelector('img').removeAttribute('alt')")
    found = axe.Axe().run(page).response
    page.close()
    assert "image-alt" in [one["id"] for one in found["violations"]]
