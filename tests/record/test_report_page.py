"""The report page in a real browser: sound, links, keyboard, printing, accessibility, and no request to anywhere.

Needs Chromium (Debian: apt install chromium) and Playwright for Python, which drives it; axe-core comes with
axe-playwright-python. Skipped, and said so, where one of them is missing.
"""

from __future__ import annotations

import re
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import soundfile
from long_exam import write_long_exam
from small_exam import tone

from assistant.protocol.meanings import Meaning
from assistant.record.amending import amended_hearing
from assistant.record.folder import ExamFolder, log_of
from assistant.record.report import build_report, tell
from assistant.record.signing import signed_event

sync_api = pytest.importorskip(
    "playwright.sync_api", reason="Playwright is not installed: pip install playwright (no browser download needed)"
)
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed: apt install chromium")

# Without these a browser that is only to show one file talks to its maker's servers.
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)
DESK = {"width": 1280, "height": 900}


@pytest.fixture(scope="module")
def exam(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The long exam, one hearing corrected, signed, with its report."""
    path = write_long_exam(tmp_path_factory.mktemp("page") / "exam")
    with ExamFolder.resume(path) as folder:
        wrong = next(held for held in folder.recovered.of_kind("heard") if held["meaning"] == "second")
        folder.append(amended_hearing(folder.recovered, wrong["seq"], Meaning.FIRST, None, "misheard", "N. Examiner"))
        folder.append(signed_event(log_of(path), "A. Practitioner", "L-1234"))
    build_report(path)
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield started
        started.close()


Open = Callable[..., Any]


@pytest.fixture
def show(browser: Any) -> Iterator[Open]:
    """Opens a report in a fresh window; afterwards nothing may have been asked for but the file itself and the
    recordings beside it, and the page may have complained of nothing.
    """
    contexts, asked, complaints = [], [], []
    folders: list[Path] = []

    def opened(exam: Path, **how: Any) -> Any:
        context = browser.new_context(**{"viewport": DESK, **how})
        contexts.append(context)
        folders.append(exam)
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("dialog", lambda dialog: complaints.append(f"dialog: {dialog.message}"))
        page.goto((exam / "report.html").as_uri())
        page.wait_for_selector("html[data-ready=true]", state="attached")
        return page

    yield opened
    for context in contexts:
        context.close()
    own = tuple(folder.as_uri() + "/" for folder in folders)
    assert [url for url in asked if not url.startswith((*own, "data:"))] == []
    assert complaints == []


# ------------------------------------------------------------------------------------------------------- opening
def test_the_page_opens_and_asks_for_nothing(exam: Path, show: Open) -> None:
    page = show(exam)
    assert page.title().startswith("Refraction K-07")
    assert page.locator("h1").is_visible()
    assert page.locator("svg[role=img]").count() >= 9


def test_hostile_words_stay_words(exam: Path, show: Open) -> None:
    page = show(exam)
    assert page.evaluate("window.hacked") is None
    assert page.locator("img").count() == 0
    note = page.locator(".notes .said").inner_text()
    assert "<script>window.hacked = 1</script>" in note
    assert "second line <b>bold</b>" in note


@pytest.fixture
def intruder() -> Iterator[tuple[str, list[str]]]:
    """A server on this machine: its address, and what was asked of it."""
    asked: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    thread.join()
    server.server_close()


def test_the_policy_refuses_what_an_intruder_would_do(
    exam: Path, browser: Any, intruder: tuple[str, list[str]], tmp_path: Path
) -> None:
    """Were markup to get in all the same, no script of its own would run and nothing would leave the page."""
    address, asked = intruder
    attack = """async (address) => {
        const markup = `<img id="i" src="${address}/image"><p id="x" onclick="window.hacked = 1">`;
        document.body.insertAdjacentHTML("beforeend", markup);
        const script = document.createElement("script");
        script.textContent = "window.hacked = 2";
        document.body.append(script);
        document.getElementById("x").click();
        const settled = (thing) => new Promise((done) => { thing.onload = thing.onerror = done; });
        await Promise.race([settled(document.getElementById("i")), new Promise((done) => setTimeout(done, 500))]);
        return fetch(`${address}/words`, { mode: "no-cors" }).then(() => "left", () => "refused");
    }"""
    page = browser.new_page()
    page.goto((exam / "report.html").as_uri())
    assert page.evaluate(attack, address) == "refused"
    assert page.evaluate("window.hacked") is None
    assert asked == []
    # The same without the policy succeeds, so that the attack is one.
    bare = tmp_path / "bare.html"
    html = (exam / "report.html").read_text(encoding="utf-8")
    bare.write_text(re.sub('<meta http-equiv="Content-Security-Policy"[^>]*>', "", html), encoding="utf-8")
    page.goto(bare.as_uri())
    assert page.evaluate(attack, address) == "left"
    assert page.evaluate("window.hacked") == 1  # the click came last
    assert sorted(asked) == ["/image", "/words"]
    page.close()


# ---------------------------------------------------------------------------------------------------------- sound
def until(page: Any, condition: str) -> None:
    """Wait until an expression is true in the page. (Playwright's own waiting needs eval, which the policy refuses.)"""
    page.evaluate(
        f"""() => new Promise((done, failed) => {{
            const end = performance.now() + 30000;
            const look = () => {{
                if ({condition}) done();
                else if (performance.now() > end) failed(new Error("never came true"));
                else setTimeout(look, 20);
            }};
            look();
        }})"""
    )


CLIP = "document.querySelector('#clip')"
WHOLE = "document.querySelector('#whole')"


def test_a_line_is_played_from_inside_the_page(exam: Path, show: Open) -> None:
    page = show(exam)
    button = page.locator(".talk button.play").nth(3)
    button.click()
    until(page, f"{CLIP}.currentTime > 0")
    seq = button.get_attribute("data-sound")
    length = page.evaluate(f"{CLIP}.duration")
    recorded = next(held["audio"] for held in log_of(exam).of_kind("heard") if str(held["seq"]) == seq)
    assert length == pytest.approx(soundfile.info(exam / recorded).duration, abs=0.05)
    until(page, f"{CLIP}.ended")
    assert button.get_attribute("aria-pressed") == "false"


def test_a_line_is_played_from_beside_the_page(tmp_path: Path, exam: Path, show: Open) -> None:
    beside = tmp_path / "an exam, with spaces & more"
    shutil.copytree(exam, beside)
    build_report(beside, embed_most=-1)
    page = show(beside)
    page.locator(".talk button.play").first.focus()
    page.keyboard.press("Enter")
    until(page, f"{CLIP}.currentTime > 0")


def test_the_exam_plays_line_after_line(exam: Path, show: Open) -> None:
    page = show(exam)
    page.locator("#run").click()
    until(page, f"{CLIP}.currentTime > 0")
    first = page.locator("tr.now").get_attribute("id")
    until(page, f"document.querySelector('tr.now').id !== '{first}'")
    assert page.locator("#run").inner_text() == "Stop"
    page.locator("#run").click()
    assert page.locator("#run").inner_text() == "Play"
    assert page.evaluate(f"{CLIP}.paused")


def test_the_timeline_seeks_the_whole_recording(tmp_path: Path, exam: Path, show: Open) -> None:
    path = tmp_path / "exam"
    shutil.copytree(exam, path)
    length = tell(log_of(path)).length
    soundfile.write(path / "conversation.flac", tone(length, 8000), 8000)
    build_report(path)
    page = show(path)
    middle = round(length / 2)
    page.locator("#seek").fill(str(middle))
    page.locator("#run").click()
    until(page, f"{WHOLE}.currentTime > {middle}")
    assert float(page.locator("tr.now").get_attribute("data-at")) == pytest.approx(middle, abs=10)
    page.locator("#seek").fill("30")
    until(page, f"{WHOLE}.currentTime > 0 && {WHOLE}.currentTime < 60")
    assert page.locator("#place").inner_text().startswith("0:30 of")


# ----------------------------------------------------------------------------------------------- finding the way
def test_a_caution_leads_to_its_line(exam: Path, show: Open) -> None:
    page = show(exam)
    link = page.locator(".cautions a").last
    target = (link.get_attribute("href") or "")[1:]
    link.click()
    row = page.locator(f"#{target}")
    assert "r-flag" in (row.get_attribute("class") or "")
    box = row.bounding_box()
    assert box is not None
    assert 0 <= box["y"] < DESK["height"]


def test_the_question_slider_works_by_keyboard(exam: Path, show: Open) -> None:
    page = show(exam)
    slider = page.locator("#scrub-right")
    slider.focus()
    page.keyboard.press("Home")
    assert page.locator("#right ~ figure .told").inner_text().startswith("Question 1, entering acuity")
    page.keyboard.press("ArrowRight")
    said = page.locator("#right ~ figure .told").inner_text()
    assert said.startswith("Question 2, sphere: one plano; two -2.00. Answer: two")
    assert slider.get_attribute("aria-valuetext") == said
    link = page.locator("#right ~ figure .its-line")
    answered = tell(log_of(exam)).eyes["right"].asked[1].line
    assert link.get_attribute("href") == f"#e{answered}"


def test_a_click_in_the_picture_tells_the_question(exam: Path, show: Open) -> None:
    page = show(exam)
    page.locator("#left ~ figure .q").nth(19).click(position={"x": 4, "y": 200})
    assert page.locator("#left ~ figure .told").inner_text().startswith("Question 20,")
    assert page.locator("#left ~ figure .tracks .cursor").get_attribute("visibility") == "visible"


def test_only_what_was_in_doubt_can_be_shown(exam: Path, show: Open) -> None:
    page = show(exam)
    every = page.locator(".talk tbody tr:visible").count()
    page.locator("#show-answers").check()
    answers = page.locator(".talk tbody tr:visible").count()
    page.locator("#show-doubt").check()
    doubt = page.locator(".talk tbody tr:visible")
    assert 0 < doubt.count() < answers < every
    amended = next(held for held in log_of(exam).of_kind("heard") if "amends" in held)
    assert page.locator(f"#e{amended['amends']}").is_visible()


def test_without_script_all_is_there_to_read(exam: Path, browser: Any) -> None:
    context = browser.new_context(java_script_enabled=False, viewport=DESK)
    page = context.new_page()
    page.goto((exam / "report.html").as_uri())
    assert page.locator(".talk tbody tr").first.is_visible()
    assert page.locator(".tracks").first.is_visible()
    assert not page.locator(".player").is_visible()
    assert not page.locator(".scrub").first.is_visible()
    context.close()


# ------------------------------------------------------------------------------------------------------ printing
def pages_of(pdf: bytes) -> int:
    """Pages of a PDF, by its page objects (ISO 32000-1, 7.7.3.3)."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_summary_prints_on_two_pages(exam: Path, show: Open, paper: str) -> None:
    page = show(exam)
    assert pages_of(page.pdf(format=paper, print_background=True)) == 2
    page.locator("#print-talk").check()
    assert pages_of(page.pdf(format=paper, print_background=True)) > 4


def test_print_is_dark_on_light_whatever_the_screen(exam: Path, show: Open) -> None:
    page = show(exam, color_scheme="dark")
    ground = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(ground) != "rgb(255, 255, 255)"
    page.emulate_media(media="print")
    assert page.evaluate(ground) == "rgb(255, 255, 255)"
    assert not page.locator(".player").is_visible()
    assert not page.locator(".talk").is_visible()
    assert page.locator(".rx").is_visible()


# ------------------------------------------------------------------------------------------------- accessibility
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(exam: Path, show: Open, scheme: str) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright",
        reason="axe-core is not installed: pip install axe-playwright-python",
    )
    page = show(exam, color_scheme=scheme)
    for opened in page.locator("details").all():
        opened.evaluate("details => { details.open = true; }")
    options: dict[str, Any] = {"resultTypes": ["violations"]}  # of what passes, one element each is told: sooner done
    if scheme == "dark":
        options["runOnly"] = ["color-contrast"]  # only the colours differ
    found = axe.Axe().run(page, options=options).response
    grave = [
        (violation["id"], violation["impact"], [node["html"][:120] for node in violation["nodes"][:3]])
        for violation in found["violations"]
        if violation["impact"] in ("serious", "critical")
    ]
    assert grave == []
    assert len(found["passes"]) >= (20 if scheme == "light" else 1)


@pytest.mark.parametrize(
    ("width", "height"),
    [(640, 450), (320, 512)],  # 200 % of 1280 x 900; 400 % of 1280 (WCAG 2.2, 1.4.10 reflow)
)
def test_enlarged_the_page_need_not_be_scrolled_sideways(exam: Path, show: Open, width: int, height: int) -> None:
    page = show(exam, viewport={"width": width, "height": height})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_on_a_telephone_the_prescription_is_whole_and_a_clipped_picture_says_so(exam: Path, show: Open) -> None:
    page = show(exam, viewport={"width": 390, "height": 844})
    table = page.locator("[aria-label='Prescription table']")
    assert table.evaluate("held => held.scrollWidth <= held.clientWidth"), "the last column is in sight"
    pictures = page.locator(".tracks-figure .scroll")
    hints = pictures.evaluate_all(
        "all => all.map(held => [getComputedStyle(held, '::before').content, held.scrollWidth > held.clientWidth])"
    )
    assert hints
    assert all("Goes on to the right" in words and clipped for words, clipped in hints)


def test_every_table_has_headings_and_every_picture_words(exam: Path, show: Open) -> None:
    page = show(exam)
    for table in page.locator("table").all():
        assert table.locator("th[scope]").count() > 0
        assert table.locator("caption").count() == 1
    for picture in page.locator("svg[role=img]").all():
        assert len(picture.get_attribute("aria-label") or "") > 30


def test_everything_that_does_something_is_reached_by_the_tab_key(exam: Path, show: Open) -> None:
    page = show(exam)
    reached = []
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("(e => e.id || e.className || e.getAttribute('href') || e.tagName)(document.activeElement)")
        )
    for wanted in ("skip", "scrub-right", "scrub-left", "run", "seek", "show-all", "print-talk", "play"):
        assert wanted in reached
    assert reached.index("scrub-right") < reached.index("run")


# ------------------------------------------------------------------------------------------------------- figures
def test_how_soon_the_page_is_ready(
    exam: Path, browser: Any, record_property: Callable[[str, object], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """Prints the figures; nothing is asserted of the clock, which belongs to the machine."""
    begun = time.perf_counter()
    path, _ = build_report(exam)
    built = time.perf_counter() - begun
    page = browser.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=true]", state="attached")
    timing = page.evaluate(
        "(n => [n.domInteractive, n.domContentLoadedEventEnd, n.loadEventEnd])"
        "(performance.getEntriesByType('navigation')[0])"
    )
    page.close()
    bare, _ = build_report(exam, embed_most=-1)
    figures = {
        "built, s": round(built, 2),
        "page without recordings, MB": round(bare.stat().st_size / 1e6, 2),
        "interactive after, s": round(timing[1] / 1000, 2),
    }
    build_report(exam)
    for name, figure in figures.items():
        record_property(name, figure)
    with capsys.disabled():
        print(f"\nreport of {len(log_of(exam).events)} events: {figures}")
    assert all(figure > 0 for figure in figures.values())
