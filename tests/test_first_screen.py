"""The first screen of the report holds the whole answer; what a phone and a printer make of it."""

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from browser import CHROMIUM, Page
from PIL import Image

from optimiser.answer.run_result import CAUTION
from optimiser.evaluation.asked import Bound
from optimiser.report.answer_words import answer_of
from optimiser.report.first_screen import against, first_screen
from optimiser.report.page import report_html
from optimiser.report.words import date_words

needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium to show the page in")
SCREENS = {"laptop": (1280, 800), "phone": (390, 844)}
PARTS = """[...document.querySelectorAll(
    'h1, #answer .answer, #answer table, #answer .watch, #answer .warn, #answer svg')].map(e => {
    const box = e.getBoundingClientRect();
    return [e.className.baseVal ?? (e.className || e.tagName), box.left, box.top, box.right,
        box.bottom];
})"""
SCROLLED = """[...document.querySelectorAll('.scroll')].map((e, index) => {
    const hint = e.previousElementSibling;
    return {index: index, more: e.scrollWidth - e.clientWidth,
        over: e.scrollWidth > e.clientWidth + 1,
        hint: !!hint && hint.className === 'hint' && hint.getBoundingClientRect().height > 0,
        table: !!e.querySelector('table')};
})"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with Page(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture(scope="module")
def report(finished_run):
    return finished_run[0] / "report.html"


def accepting(result, bump_deg, error_deg):
    """The same designs, judged by other acceptable values."""
    steering = replace(
        result.problem.steering,
        acceptable_bump_steer=float(np.radians(bump_deg)),
        acceptable_ackermann_error=float(np.radians(error_deg)),
    )
    return replace(result, problem=replace(result.problem, steering=steering))


# --- content -------------------------------------------------------------------------------------


def test_it_says_which_rack_where_and_what_it_comes_to(stored):
    result = stored.result
    chosen = result.chosen(result.winner)
    screen = first_screen(result, chosen, answer_of(result), None)
    assert screen["headline"] == f"{chosen.rack.name}, price {chosen.rack.price:g}"
    assert screen["good"]
    assert screen["nearest"] == ""
    place = dict(screen["place"])
    assert place["rack height"] == f"{chosen.lengths_mm['rack_height_mm']:.1f} mm above ground"
    fore_aft = chosen.lengths_mm["rack_fore_aft_mm"]
    side = "ahead of" if fore_aft > 0.0 else "behind"
    assert place["rack fore-aft"] == f"{abs(fore_aft):.1f} mm {side} the front axle"
    assert len(place) == 7
    for (words, value, standing, kept), name, accepted in zip(
        screen["judged"],
        ("bump_steer_deg", "ackermann_error_deg"),
        result.problem.acceptable,
        strict=True,
    ):
        assert words in ("bump steer", "Ackermann error")
        assert value == f"{chosen.metric(name):.3f} deg"
        assert standing == f"of {accepted:g} accepted"
        assert kept
    assert screen["watch"]


def test_a_number_that_is_too_small_is_below_what_is_accepted():
    both = Bound("turns_lock_to_lock", 2.0, 3.0)
    least, most = replace(both, most=None), replace(both, least=None)
    said = [against(one, True, False) for one in (both, least, most)]
    assert said == ["of 2 to 3 accepted", "at least 2 accepted", "of 3 accepted"]
    assert against(least, False, True) == against(both, False, True) == "below 2 accepted"
    assert against(most, False, False) == against(both, False, False) == "above 3 accepted"


def test_what_is_worst_is_watched_first(stored):
    """What stops it before the hand, the hand before what building makes of it."""
    result = stored.result
    chosen = result.chosen(result.winner)
    answer = replace(answer_of(result), built="Built badly.")
    hands = tuple(
        replace(hand, turn_end_for_end=True, right_way_as_made=False, sentence="is turned")
        for hand in result.problem.hands
    )
    turned = replace(chosen, problem=_Handed(chosen.problem, hands))
    first = first_screen(result, turned, answer, None)["watch"][0]
    assert first == "Direction and hand: is turned."
    plain = tuple(
        replace(hand, turn_end_for_end=False, opposite_hand_needed=False, right_way_as_made=True)
        for hand in result.problem.hands
    )
    calm = replace(chosen, problem=_Handed(chosen.problem, plain))
    assert "Built badly." in first_screen(result, calm, answer, None)["watch"]


class _Handed:
    """A problem with other hands, which follow from its racks."""

    def __init__(self, problem, hands) -> None:
        self._problem, self.hands = problem, hands

    def __getattr__(self, name):
        return getattr(self._problem, name)


def test_without_an_acceptable_rack_nothing_looks_like_an_answer(stored):
    result = accepting(stored.result, 1e-4, 1e-4)
    assert result.winner is not None
    page = report_html(result, stored.record, answer_of(result), {}, None)
    words = " ".join(re.sub(r"<[^>]+>", " ", page[page.index("<body") :]).split())
    assert re.search(r'class="answer no">No rack is acceptable<', page)
    assert "The nearest design: it is not acceptable" in words
    assert 'class="pick"' not in page
    assert "chosen design" not in words.lower().replace("of the chosen design", "")
    assert re.search(r"Watch: +Bump steer [\d.]+ deg, [\d.]+ more than acceptable", words)


def test_the_date_is_the_one_of_the_run(stored):
    stamp = stored.record["date"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", stamp)
    assert date_words("2025-11-05T06:07:08+01:00") == "5 November 2025, 06:07"
    assert date_words("") == ""
    answer = answer_of(stored.result)
    page = report_html(stored.result, stored.record, answer, {}, None)
    assert f"Run of {date_words(stamp)}" in page
    older = {name: value for name, value in stored.record.items() if name != "date"}
    assert "Run of" not in report_html(stored.result, older, answer, {}, None)


# --- in a browser --------------------------------------------------------------------------------


@needs_browser
@pytest.mark.parametrize("screen", SCREENS)
def test_the_whole_answer_is_on_the_first_screen(browser, report, screen):
    width, height = SCREENS[screen]
    browser.look_at(report, width=width, height=height)
    assert browser.value("scrollY") == 0
    parts = browser.value(PARTS)
    kinds = [kind for kind, *_ in parts]
    assert {"H1", "judged", "place", "watch", "warn"} <= set(kinds)
    for kind, left, top, right, bottom in parts:
        assert left >= 0.0, kind
        assert top >= 0.0, kind
        assert right <= width, kind
        assert bottom <= height, kind
        assert right - left > 100.0, kind
    assert CAUTION in browser.value("document.querySelector('#answer .warn').textContent")


@needs_browser
@pytest.mark.parametrize("width", [360, 390, 1280])
def test_long_numbers_do_not_make_the_page_wider_than_the_screen(browser, report, width):
    browser.look_at(report, width=width, height=844)
    browser.value("""document.querySelectorAll('.judged tr').forEach(row => {
        row.cells[1].textContent = 'below 0.001 deg';
        row.cells[2].textContent = 'above 0.0755 accepted'; })""")
    room = browser.value("document.documentElement.clientWidth")
    assert browser.value("document.documentElement.scrollWidth") <= room
    left, right = browser.value(
        "(b => [b.left, b.right])(document.querySelector('.judged').getBoundingClientRect())"
    )
    assert right - left <= browser.value("document.querySelector('.place').offsetWidth") + 1


@needs_browser
def test_the_picture_on_the_first_screen_can_be_read_on_a_phone(browser, report):
    browser.look_at(report, width=390, height=844)
    wide, high = browser.value(
        "(b => [b.width, b.height])(document.querySelector('#answer svg').getBoundingClientRect())"
    )
    assert wide > 300.0
    assert high > 180.0


@needs_browser
def test_tables_of_all_numbers_fold_away_and_are_open_in_print(browser, report):
    inside = """[...document.querySelectorAll('details')].map(e => {
        const first = e.querySelector('table, pre').getBoundingClientRect();
        return [e.open, first.height]; })"""
    browser.look_at(report, width=1280)
    folded = browser.value(inside)
    assert len(folded) >= 5
    assert not any(opened for opened, _ in folded)
    tall = browser.value("document.documentElement.scrollHeight")
    browser.look_at(report, width=703, media="print")
    assert all(height > 20.0 for _, height in browser.value(inside))
    seen = """[...document.querySelectorAll('details table, details pre')].every(
        e => e.checkVisibility({contentVisibilityAuto: true}) && e.getClientRects().length > 0)"""
    assert browser.value(seen)
    browser.value("document.querySelectorAll('details').forEach(e => e.open = true)")
    opened = browser.value("document.documentElement.scrollHeight")
    browser.value("document.querySelectorAll('details').forEach(e => e.open = false)")
    assert browser.value("document.documentElement.scrollHeight") == pytest.approx(opened, abs=5)
    assert tall > 0


@needs_browser
def test_pages_are_numbered_in_print(browser, report):
    browser.look_at(report, width=703, media="print")
    rules = browser.value(
        "[...document.styleSheets].flatMap(s => [...s.cssRules]).flatMap("
        "r => r.cssRules ? [...r.cssRules] : []).map(r => r.cssText).join(' ')"
    )
    assert re.search(r"@bottom-right \{[^}]*counter\(page\)[^}]*counter\(pages\)", rules)


@needs_browser
def test_a_phone_shows_what_can_be_scrolled(browser, report):
    """Words above each table or figure that is too wide, and a shadow at the table's edge."""
    browser.look_at(report, width=390, height=844)
    browser.value("document.querySelectorAll('details').forEach(e => e.open = true)")
    boxes = browser.value(SCROLLED)
    over = [box for box in boxes if box["over"]]
    assert len(over) >= 5
    for box in over:
        assert box["hint"], box
    table = max((box for box in over if box["table"]), key=lambda box: box["more"])
    element = f"document.querySelectorAll('.scroll')[{table['index']}]"
    browser.value(f"{element}.scrollIntoView()")
    left, top, right, bottom = browser.value(
        f"(b => [b.left, b.top, b.right, b.bottom])({element}.getBoundingClientRect())"
    )
    seen = np.asarray(Image.open(io.BytesIO(browser.picture())).convert("L"), float)
    rows = slice(round(max(top, 0.0)), round(min(bottom, 844.0)))
    edge, inner = (seen[rows, round(x) : round(x) + 5] for x in (right - 6.0, left + 1.0))
    # The paper is the lighter part of either strip.
    assert np.percentile(edge, 75) < np.percentile(inner, 75) - 30.0
    browser.look_at(report, width=1280, height=800)
    assert not any(box["hint"] for box in browser.value(SCROLLED))
