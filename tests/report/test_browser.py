"""The annual summary's page as a browser shows it, and its colours against WCAG 2."""

from __future__ import annotations

import html
import io
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

from crosscellar.report.content import Summary
from crosscellar.report.page import render_page

SummaryOf = Callable[..., Summary]

CHROMIUM = next(
    (
        found
        for name in ("chromium", "chromium-browser", "google-chrome", "chrome")
        if (found := shutil.which(name)) is not None
    ),
    None,
)
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed here")

#: Asks a page in a frame as wide as a phone; the frame has the page's own policy.
ASKING = """<!doctype html><meta charset="utf-8"><title>asks</title>
<iframe id="page" style="width:360px;height:800px;border:0" srcdoc="%s"></iframe><pre id="told"></pre>
<script>
window.addEventListener("load", () => {
  const page = document.getElementById("page").contentDocument;
  const table = page.querySelector("table.sorts");
  const column = [...table.tHead.rows[0].cells].findIndex(cell => cell.textContent === "Effect");
  const shown = () => [...table.tBodies[0].rows].map(row => row.cells[column].textContent);
  const button = table.tHead.rows[0].cells[column].querySelector("button");
  const told = {
    window: page.documentElement.clientWidth, width: page.documentElement.scrollWidth,
    intruded: page.documentElement.dataset.intruded || "", focusable: button.tabIndex, before: shown()};
  button.click(); told.up = shown(); told.upwards = table.querySelectorAll("[aria-sort=ascending]").length;
  button.click(); told.down = shown();
  told.downwards = table.querySelectorAll("[aria-sort=descending]").length;
  told.foot = table.tFoot ? table.tFoot.textContent.trim() : "";
  document.getElementById("told").textContent = JSON.stringify(told);
});
</script>"""


def run_browser(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    assert CHROMIUM is not None
    return subprocess.run(
        [
            CHROMIUM,
            *("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"),
            f"--user-data-dir={folder / 'profile'}",
            *("--enable-logging=stderr", "--v=0"),
            *options,
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )


def console_of(done: subprocess.CompletedProcess[str]) -> list[str]:
    return [line for line in done.stderr.splitlines() if "CONSOLE" in line]


@pytest.fixture(scope="module")
def page(summary_of: SummaryOf) -> str:
    sites = [f"s{number:02}" for number in range(12)]
    names = [f"The Long Name of a Hillside Estate behind the Old Mill, {site}" for site in sites]
    return render_page(summary_of(sites, names=names, seasons=2))


@needs_browser
def test_on_a_phone_the_page_fits_and_its_tables_sort_up_and_down(page: str, tmp_path: Path) -> None:
    asking = tmp_path / "asking.html"
    intruder = "<script>document.documentElement.dataset.intruded = 'yes'</script></body>"
    asking.write_text(ASKING % html.escape(page.replace("</body>", intruder)), encoding="utf-8")
    done = run_browser(tmp_path, "--dump-dom", asking.as_uri())
    found = re.search(r'<pre id="told">(.*?)</pre>', done.stdout, flags=re.DOTALL)
    assert found is not None
    told = json.loads(html.unescape(found.group(1)))
    assert told["width"] == told["window"] <= 360
    assert told["intruded"] == "", "a script that is not ours ran"
    assert any("Content Security Policy" in line for line in console_of(done))
    assert told["focusable"] == 0
    values = [float(text.replace("−", "-")) for text in told["before"]]
    assert len(set(values)) > 5
    assert values != sorted(values)
    assert [float(text.replace("−", "-")) for text in told["up"]] == sorted(values)
    assert [float(text.replace("−", "-")) for text in told["down"]] == sorted(values, reverse=True)
    assert told["upwards"] == told["downwards"] == 1
    assert told["foot"].startswith("Mean of the network")


@needs_browser
def test_the_page_opens_without_a_word_in_the_console_and_prints_every_row(page: str, tmp_path: Path) -> None:
    written, printed = tmp_path / "page.html", tmp_path / "page.pdf"
    written.write_text(page, encoding="utf-8")
    done = run_browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={printed}", written.as_uri())
    assert console_of(done) == []
    reader = PdfReader(io.BytesIO(printed.read_bytes()))
    heads = [sheet for sheet in reader.pages if re.search(r"s\d\d-20\d\d", sheet.extract_text())]
    assert len(heads) > 1
    # A table that goes over to another page repeats its headings there, on as many lines as their words need.
    assert all("Where the variance is from" in " ".join(sheet.extract_text().split()) for sheet in heads)
    text = " ".join(" ".join(sheet.extract_text() for sheet in reader.pages).split())
    row = r'<td class="k">(s\d\d-\d{4})</td><td class="k a">(\w+)</td><td class="n">([^<]+)</td>'
    rows = re.findall(row, page)
    assert len(rows) == 24
    assert [each for each in rows if " ".join(each) not in text] == []
    # The last column ends inside the paper: its last words are there for every row.
    assert text.count("replicated trials") >= 24


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C Recommendation, definition "relative luminance")."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2 (definition "contrast ratio")."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_ratios_the_standard_states() -> None:
    # WCAG 2.2: ratios range from 1 to 21, black on white being 21.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#123456", "#123456") == pytest.approx(1)


def palettes(page: str) -> list[dict[str, str]]:
    found = re.findall(r":root \{([^}]*)\}", page)
    named = [dict(re.findall(r"--(\w+): (#[0-9a-f]+)", block)) for block in found]
    return [
        {
            name: colour if len(colour) == 7 else "#" + "".join(2 * digit for digit in colour[1:])
            for name, colour in each.items()
        }
        for each in named
    ]


def test_every_text_stands_out_in_light_in_dark_and_in_print(summary_of: SummaryOf) -> None:
    found = palettes(render_page(summary_of(["a", "b"])))
    assert len(found) == 3
    for colours in found:
        for ink in ("ink", "soft", "must"):
            for ground in ("paper", "card", "tint"):
                # WCAG 2.2, success criterion 1.4.3: at least 4.5 for text.
                assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground, colours)
