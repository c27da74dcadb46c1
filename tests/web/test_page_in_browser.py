"""The page in a real browser (Debian's chromium, headless): what a person gets, with and without script."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest

from holdwater.web.charts.svg import num
from web.household import NOW_MS, bad, gallons, household, well
from web.serving import Served
from web.test_page_guard import HOSTILE, hostile

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is missing: pip install 'holdwater[test]'")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is missing: sudo apt-get install -y chromium"),
]

PHONE, TABLE = {"width": 390, "height": 844}, {"width": 1280, "height": 800}
PAGES = (
    "/",
    "/season",
    "/season?days=7&tank=drinking",
    "/season/table",
    "/notices",
    "/note",
    "/note?kind=load",
    "/nowhere",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One chromium for all tests of this file."""
    with playwright.sync_playwright() as started:
        running = started.chromium.launch(executable_path=CHROMIUM)
        yield running
        running.close()


class Watch:
    """What a browser tab complained about, asked for and popped up."""

    def __init__(self, tab: Any) -> None:
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.dialogs: list[str] = []
        tab.on("console", lambda message: self.complaints.append(message.text))
        tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        tab.on("request", lambda request: self.requests.append(request.url))
        tab.on("dialog", self._dialog)

    def _dialog(self, dialog: Any) -> None:
        self.dialogs.append(dialog.message)
        dialog.dismiss()


@contextmanager
def tab(browser: Any, **options: Any) -> Iterator[tuple[Any, Watch]]:
    """A fresh tab in a fresh context, watched."""
    context = browser.new_context(**options)
    page = context.new_page()
    try:
        yield page, Watch(page)
    finally:
        context.close()


def address(served: Served, path: str = "/") -> str:
    return f"http://127.0.0.1:{served.server.port}{path}"


@pytest.mark.parametrize(
    ("script", "size", "scheme"), [(True, PHONE, "light"), (False, PHONE, "dark"), (True, TABLE, "dark")]
)
def test_pages_load_clean_stay_on_this_machine_and_never_scroll_sideways(
    serve: Callable[..., Served], browser: Any, script: bool, size: dict[str, int], scheme: str
) -> None:
    """No policy violation, no outside request, nothing wider than the screen."""
    site = household()
    served = serve(site, bad(site))
    with tab(browser, viewport=size, color_scheme=scheme, java_script_enabled=script) as (page, watch):
        for path in PAGES:
            page.goto(address(served, path))
            for each in page.locator("summary").all():
                each.click()
            wide = page.evaluate("document.documentElement.scrollWidth") if script else size["width"]
            assert wide <= size["width"], path
            for each in page.locator(".notice").all():
                box = each.bounding_box()
                assert box["x"] + box["width"] <= size["width"] - 15, path
        assert [each for each in watch.complaints if "404" not in each] == []
        assert all(each.startswith(address(served)) for each in watch.requests)
        assert watch.dialogs == []


CONTRAST = """
() => {
  const parse = (text) => { const n = text.match(/[\\d.]+/g).map(Number); return n.length === 3 ? [...n, 1] : n; };
  const part = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  const lum = (c) => { const f = c.slice(0, 3).map((v) => part(v / 255));
    return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
  const ratio = (a, b) => { const [x, y] = [lum(a), lum(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const ground = (e) => { for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor); if (c[3] > 0.99) return c; }
    return parse(getComputedStyle(document.documentElement).backgroundColor); };
  const found = [];
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.getClientRects().length || e.tagName === "OPTION") continue;
    const svg = e instanceof SVGElement;
    const style = getComputedStyle(e);
    const plot = document.querySelector(".strip .plot");
    const under = svg ? (style.stroke !== "none" ? parse(style.stroke) : ground(e)) : ground(e);
    const name = e.tagName + "." + (e.getAttribute("class") || "") + ": " + e.textContent.slice(0, 40);
    found.push([ratio(parse(svg ? style.fill : style.color), under), name]);
    if (svg && plot) found.push([ratio(parse(style.fill), parse(getComputedStyle(plot).fill)), "on plot: " + e.textContent]);
  }
  return found;
}
"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_has_a_contrast_of_seven_to_one(serve: Callable[..., Served], browser: Any, scheme: str) -> None:
    """Computed from what the browser paints (WCAG 2.2, success criterion 1.4.6)."""
    site = household()
    served = serve(site, bad(site))
    with tab(browser, viewport=TABLE, color_scheme=scheme) as (page, _):
        for path in PAGES:
            page.goto(address(served, path))
            found = page.evaluate(CONTRAST)
            assert len(found) > 8
            assert [words for ratio, words in found if ratio < 7] == [], path


def test_marks_have_a_contrast_of_three_to_one(page: Served, browser: Any) -> None:
    """Level line, reserve, rain, frost and walls against their ground (success criterion 1.4.11)."""
    script = """
    () => { const parse = (t) => t.match(/[\\d.]+/g).map(Number);
      const part = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
      const lum = (c) => { const f = c.slice(0, 3).map((v) => part(v / 255));
        return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
      const of = (s, k) => parse(getComputedStyle(document.querySelector(s))[k]);
      const plot = lum(of(".strip .plot", "fill"));
      return [[".level", "stroke"], [".reserve", "stroke"], [".rain", "fill"], [".frost", "fill"], [".sign", "stroke"],
        [".today", "stroke"]]
        .map(([s, k]) => { const l = lum(of(".strip " + s, k)); return (Math.max(l, plot) + 0.05) / (Math.min(l, plot) + 0.05); }); }
    """
    for scheme in ("light", "dark"):
        with tab(browser, viewport=TABLE, color_scheme=scheme) as (view, _):
            view.goto(address(page, "/season"))
            assert min(view.evaluate(script)) >= 3


def test_figures_change_in_place_within_two_polls_and_the_page_is_not_loaded_again(page: Served, browser: Any) -> None:
    """A new reading shows without a reload; the picture follows."""
    with tab(browser, viewport=PHONE) as (view, watch):
        view.goto(address(page))
        view.evaluate("window.mine = 1")
        drinking = replace(page.hatch.snapshot.tanks[0], on_hand_m3=gallons(199.2), depth_m=0.9)
        page.hatch.snapshot = replace(
            page.hatch.snapshot, tanks=(drinking, *page.hatch.snapshot.tanks[1:]), newest_ms=NOW_MS
        )
        view.locator("[data-part=figure]", has_text="199").first.wait_for(timeout=6000)
        view.locator("svg.section text", has_text="35.4 in deep").first.wait_for(timeout=6000)
        assert view.evaluate("window.mine") == 1
        assert watch.complaints == []
        assert sum(each.endswith("/page.css") for each in watch.requests) == 1


def test_a_new_notice_appears_without_a_reload_and_can_be_marked_seen(page: Served, browser: Any) -> None:
    """Its button works, and the loop is asked once."""
    site = page.site
    with tab(browser, viewport=PHONE) as (view, watch):
        view.goto(address(page))
        with view.expect_response("**/api/now"):
            pass
        page.hatch.snapshot = bad(site)
        view.locator("article.notice.act-today").wait_for(timeout=8000)
        view.locator("article.notice.act-today button", has_text="Seen").click()
        view.locator("article.notice.act-today small", has_text="seen").wait_for(timeout=5000)
        assert page.hatch.wishes == [("seen", {"notice": 7})]
        assert watch.complaints == []


def test_a_service_that_is_gone_is_said_on_the_page(page: Served, browser: Any) -> None:
    """The figures stay, with a word that they are old."""
    with tab(browser) as (view, _):
        view.goto(address(page))
        page.server.stop()
        view.locator("#link", has_text="does not answer").wait_for(timeout=8000)
        assert view.locator("[data-part=figure]").first.text_content() == "212"


@pytest.mark.parametrize("script", [True, False])
def test_units_and_light_can_be_switched_and_buttons_pressed_without_script(
    serve: Callable[..., Served], browser: Any, script: bool
) -> None:
    """Plain forms, a cookie; the browser's own headers pass the guard."""
    site = household()
    served = serve(site, bad(site))
    with tab(browser, java_script_enabled=script) as (view, watch):
        view.goto(address(served, "/season?days=30&tank=drinking"))
        view.get_by_role("button", name="L, cm, °C").click()
        assert view.url.endswith("/season?days=30&tank=drinking")
        assert "full at 1339 L" in (view.locator("svg.wide").text_content() or "")
        view.get_by_role("button", name="Night", exact=True).click()
        assert view.locator("html").get_attribute("class") == "night"
        view.goto(address(served))
        view.locator("article.act-today summary").click()
        view.locator("article.act-today select").select_option("72")
        view.locator("article.act-today button", has_text="Keep quiet").click()
        view.locator("article.act-today small", has_text="quiet until").wait_for()
        assert served.hatch.wishes == [("quiet", {"notice": 7, "for_s": 259200})]
        assert watch.complaints == []


def test_hostile_names_open_no_dialog_and_break_no_policy(serve: Callable[..., Served], browser: Any) -> None:
    """Script on, all pages, long enough for two polls that write the texts again."""
    for number, text in enumerate((HOSTILE[0], HOSTILE[1], HOSTILE[3])):
        served = hostile(serve, text)
        with tab(browser) as (view, watch):
            for path in ("/season", "/season/table", "/"):
                view.goto(address(served, path))
            if number == 0:
                with view.expect_response("**/api/now", timeout=6000):
                    pass
                served.hatch.snapshot = replace(served.hatch.snapshot, notices=served.hatch.snapshot.notices[:2])
                with view.expect_response("**/", timeout=6000):
                    pass
            assert watch.dialogs == []
            assert watch.complaints == []


def test_texts_of_the_pictures_do_not_overlap_as_the_browser_sets_them(
    serve: Callable[..., Served], browser: Any
) -> None:
    """With real fonts instead of our estimate of their widths."""
    script = """
    () => { const bad = [];
      for (const svg of document.querySelectorAll("figure svg")) {
        const some = [...svg.querySelectorAll("text")].map((t) => [t.getBoundingClientRect(), t.textContent]).filter(([r]) => r.width);
        const edge = svg.getBoundingClientRect();
        some.forEach(([a, ta], i) => {
          if (a.left < edge.left - 1 || a.right > edge.right + 1) bad.push("outside: " + ta);
          some.slice(i + 1).forEach(([b, tb]) => {
            const x = Math.min(a.right, b.right) - Math.max(a.left, b.left), y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
            if (x > 1 && y > Math.min(a.height, b.height) * 0.35) bad.push(ta + " / " + tb); }); }); }
      return bad; }
    """
    site = household()
    served = serve(site, bad(site))
    for size in (PHONE, TABLE):
        with tab(browser, viewport=size) as (view, _):
            for path in ("/", "/season", "/season?days=7", "/season?days=30", "/season?days=365"):
                view.goto(address(served, path))
                assert view.evaluate(script) == [], (path, size)


def test_the_main_figure_is_the_largest_thing_and_taps_are_large_enough(page: Served, browser: Any) -> None:
    """Three to six times the text; 48 px to press."""
    with tab(browser, viewport=PHONE) as (view, _):
        view.goto(address(page))
        size = "e => parseFloat(getComputedStyle(e).fontSize)"
        base = view.locator("html").evaluate(size)
        figure = view.locator("[data-part=figure]").first.evaluate(size)
        assert base >= 18
        assert 3 <= figure / base <= 6
        for path in ("/", "/note", "/note?kind=dip", "/note?kind=watering", "/notices"):
            view.goto(address(page, path))
            what = "button, nav a, .choices a, .actions a, .sheet input:not([type=hidden]), select, textarea"
            heights = view.eval_on_selector_all(what, "some => some.map((each) => each.getBoundingClientRect().height)")
            assert min(each for each in heights if each) >= 48, path


@pytest.mark.parametrize("script", [True, False])
def test_a_load_is_noted_from_a_phone(page: Served, browser: Any, script: bool) -> None:
    """From the first page by three taps and two fields; a figure without its unit is asked for again."""
    with tab(browser, viewport=PHONE, java_script_enabled=script) as (view, watch):
        view.goto(address(page))
        view.get_by_role("link", name="Note", exact=True).click()
        view.get_by_role("link", name="Load").click()
        view.get_by_label("Which tank").select_option("drinking")
        view.get_by_label("How much").fill("125")
        view.get_by_role("button", name="Note it").click()
        assert "has no unit" in (view.locator("#e-volume").text_content() or "")
        assert view.get_by_label("Which tank").input_value() == "drinking"
        view.get_by_label("How much").fill("125 gal")
        view.get_by_role("button", name="Note it").click()
        assert "Noted: load, drinking, 125 gal." in (view.get_by_role("status").first.text_content() or "")
        assert [(what, body["volume"]) for what, body in page.hatch.wishes] == [("note", "125 gal")]
        assert [each for each in watch.complaints if "400" not in each] == []


def test_on_paper_there_are_no_buttons_and_fills_become_hatches(page: Served, browser: Any) -> None:
    """Ink on white."""
    with tab(browser, viewport=TABLE, color_scheme="dark") as (view, _):
        view.emulate_media(media="print")
        view.goto(address(page))
        assert view.locator(".switch").is_hidden()
        assert view.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
        assert "paper-water" in view.locator("svg.section .water").first.evaluate("e => getComputedStyle(e).fill")


def test_one_tank_alone_stands_beside_its_figure_on_a_wide_screen(serve: Callable[..., Served], browser: Any) -> None:
    """Picture left, words right."""
    site = household()
    alone = household(tanks={"drinking": site.tanks["drinking"]})
    with tab(browser, viewport=TABLE) as (view, _):
        view.goto(address(serve(alone, well(site))))
        picture, words = view.locator("svg.section").bounding_box(), view.locator(".says").bounding_box()
        assert picture["x"] + picture["width"] <= words["x"]
        assert num(1.0) == "1"


def test_the_phones_own_time_is_taken_at_the_press_of_the_button(serve: Callable[..., Served], browser: Any) -> None:
    """From Date.now() of the browser, not from when the page was opened; without script it is typed."""
    site = household()
    served = serve(site, bad(site))
    served.hatch.answer = {"ok": True, "clock": "trusted", "wall_ms": NOW_MS}
    with tab(browser, viewport=PHONE) as (view, watch):
        view.clock.install(time=NOW_MS / 1000)
        view.goto(address(served))
        view.clock.fast_forward(90_000)
        view.get_by_role("button", name="Take the time from this phone").click()
        view.wait_for_url(address(served))
        assert watch.complaints == []
    with tab(browser, viewport=PHONE, java_script_enabled=False) as (view, _):
        view.goto(address(served))
        assert view.get_by_role("button", name="Take the time from this phone").is_hidden()
        view.get_by_text("Type the time").click()
        view.get_by_label("Date and time now").fill("2026-10-28T17:20")
        view.get_by_role("button", name="This is the time").click()
    told = [body["wall_ms"] for what, body in served.hatch.wishes if what == "time"]
    assert NOW_MS + 90_000 <= told[0] < NOW_MS + 120_000
    assert told[1] == NOW_MS
