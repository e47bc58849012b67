"""The report: its content by parts, and how a browser shows and prints it."""

import html
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from browser import CHROMIUM, Page
from one_run import RACKS, TITLE, TRIALS
from PIL import Image
from small_study import preferring, run_here

from optimiser.answer import exactness
from optimiser.answer.closest_by_pose import TOLD_MM
from optimiser.answer.exactness import accuracy
from optimiser.answer.limits_and_growth import binding_sentences, leaning_sentences, limit_rows
from optimiser.answer.pose_margins import PoseMargins
from optimiser.answer.rack_table import ACCEPTABLE, ORDER_RULE
from optimiser.answer.run_result import CAUTION, RunResult
from optimiser.evaluation.problem import VARIABLES, Range, Stock
from optimiser.evaluation.quantities import pair_words
from optimiser.folder.read import read_results
from optimiser.folder.write import rewrite_report
from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.mounting import DIRECTION_CAUTION
from optimiser.report.answer_words import answer_of
from optimiser.report.html import template
from optimiser.report.moving_view import moving_data
from optimiser.report.page import report_html
from optimiser.report.words import CAUTIONS, assumptions, number

SECTIONS = (
    "cautions",
    "asked",
    "numbers",
    "racks",
    "front",
    "bump",
    "angles",
    "effort",
    "views",
    "exact",
    "limited",
    "convergence",
    "assumed",
    "record",
)


@pytest.fixture(scope="module")
def chosen(stored):
    return stored.result.chosen(stored.result.winner)


@pytest.fixture(scope="module")
def page(finished_run):
    return (finished_run[0] / "report.html").read_text("utf-8")


def text_of(page):
    """The page's words, without style, pictures and markup."""
    plain = re.sub(r"<(style|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", plain)).split())


# --- content -------------------------------------------------------------------------------------


def test_sections_come_in_the_order_a_builder_reads(page):
    assert re.findall(r'<section id="(\w+)">', page) == list(SECTIONS)


def test_the_answer_comes_first(stored, page):
    answer, words = answer_of(stored.result), text_of(page)
    cautions = words.index("Before anything is cut or bolted")
    assert words.index(answer.headline) < cautions
    assert words.index(CAUTION) < cautions
    assert answer.place in words
    assert words.index(answer.how) > words.index("Which rack")


def test_every_caution_is_on_the_page(page):
    words = text_of(page)
    for line in (*CAUTIONS, DIRECTION_CAUTION):
        assert line in words


@pytest.fixture
def few_cars(monkeypatch):
    """For what is said of them; `test_percentiles` has the number that is built."""
    monkeypatch.setattr(exactness, "CHOSEN_CARS", 256)


@pytest.mark.usefixtures("few_cars")
def test_the_answer_says_what_building_makes_of_it(stored):
    result = stored.result
    chosen = result.chosen(result.winner)
    built = accuracy(result.problem, chosen.design).built
    bump, error = (found.value_deg for found in built.percentiles)
    start = (
        "Built to your tolerances, 95 of 100 cars of the chosen design have at most "
        f"{built.percentiles[0].text} bump steer and {built.percentiles[1].text} Ackermann error"
    )
    for words, values, over in (
        (f"{start}, which is acceptable.", (bump + 0.05, error + 0.05), 0),
        (
            f"{start}: bump steer is above the {bump - 0.05:g} deg that you accept.",
            (bump - 0.05, error + 0.05),
            1,
        ),
        (
            f"{start}: bump steer is above the {bump - 0.05:g} deg that you accept and "
            f"Ackermann error is above the {error - 0.05:g} deg that you accept.",
            (bump - 0.05, error - 0.05),
            2,
        ),
    ):
        steering = replace(
            result.problem.steering,
            acceptable_bump_steer=float(np.radians(values[0])),
            acceptable_ackermann_error=float(np.radians(values[1])),
        )
        other = replace(result, problem=replace(result.problem, steering=steering))
        with_winner(other, result.winner)
        answer = answer_of(other)
        assert words in list(answer.sentences())
        exact = accuracy(other.problem, chosen.design)
        page = report_html(other, stored.record, answer, {}, exact)
        part = page[page.index('<section id="exact">') : page.index('<section id="limited">')]
        assert text_of(part).count("deg that you accept") == over


def test_the_answer_says_when_the_cheaper_rack_is_as_good(stored):
    """Doubt is not left between racks that differ by less than a tenth of what is accepted."""
    result = stored.result
    rows = [row for row in result.comparison if row.verdict == ACCEPTABLE]
    cheapest = next(row for row in rows if row.rack.price is not None)
    values = result.evaluation.judged
    worse = (values[cheapest.row] - values).max(axis=1)
    price = result.evaluation.metrics["price"]
    other = int(np.flatnonzero((worse > 0.0) & (price > cheapest.rack.price))[0])
    for tenths, said in ((0.9, True), (1.1, False)):
        accepted = float(np.radians(worse[other] / (0.1 * tenths)))
        steering = replace(
            result.problem.steering,
            acceptable_bump_steer=accepted,
            acceptable_ackermann_error=accepted,
        )
        asked = replace(
            result,
            problem=replace(result.problem, steering=steering),
            study=preferring(result.study, "best"),
        )
        with_winner(asked, other)
        vars(asked)["comparison"] = result.comparison
        (line,) = (text for text in answer_of(asked).sentences() if text.startswith("The cheapest"))
        assert ("better by less than a tenth of what you accept" in line) is said


def with_winner(result, row):
    """Put another row in the place of the winner that the result would find."""
    vars(result)["winner"] = row


def test_the_page_needs_nothing_but_itself(page):
    scripts = re.findall(r"<script[^>]*>", page)
    assert scripts == ['<script type="application/json" id="move-data">', "<script>"]
    assert "@import" not in page
    addresses = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert all(one.startswith(("#", "data:")) for one in addresses)
    assert set(re.findall(r"https?://[^\"' <)]+", page)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }


def test_a_title_full_of_markup_stays_text(page):
    assert html.unescape(re.search(r"<title>(.*?)</title>", page).group(1)) == TITLE
    assert html.escape("<script>alert(1)") in page
    assert "{{ 7 * 7 }}" in page
    words = text_of(page)
    for rack in RACKS:
        assert rack in words
    assert "<b>" not in page


def test_the_racks_are_in_their_order_with_its_rule(stored, page):
    words = text_of(page)
    assert ORDER_RULE in words
    table = page[page.index('<section id="racks">') :]
    places = [
        table.index(f"<td>{html.escape(row.rack.name)}</td>") for row in stored.result.comparison
    ]
    assert places == sorted(places)
    for row in stored.result.comparison:
        assert row.verdict in words


def test_numbers_of_the_chosen_design_stand_beside_those_of_the_drawing(chosen, page):
    words = text_of(page)
    bump, most = chosen.metric("bump_steer_deg"), chosen.problem.acceptable[0]
    assert re.search(rf"bump steer {bump:.3f} deg {most:g} deg [\d.]+ deg", words)


def test_what_is_assumed_follows_the_study(stored):
    problem = stored.problem
    said = " ".join(assumptions(problem))
    assert "the car is lifted as the wheels steer" in said
    assert "Clearance takes" in said
    without = " ".join(assumptions(replace(problem, loads=None)))
    assert "No loads are estimated" in without
    assert "lifted" not in without


def test_what_ends_the_steering_is_said_of_both_kinds_of_stops(stored):
    problem = stored.problem
    words = {
        stops: " ".join(
            assumptions(replace(problem, steering=replace(problem.steering, stops=stops)))
        )
        for stops in ("rack", "lock")
    }
    assert "The rack's own travel ends the steering; there are no stops" in words["rack"]
    assert "The rack's own travel ends" not in words["lock"]
    assert "Stops at the required lock end the steering" in words["lock"]
    assert "Stops at the required lock" not in words["rack"]


def test_the_record_and_the_study_are_in_it(stored, page):
    words = text_of(page)
    assert f"numpy {stored.record['libraries']['numpy']}" in words
    assert (
        f"{stored.record['designs']}, of which {stored.record['feasible']} keep every limit"
        in words
    )
    start = page.index("<pre>") + len("<pre>")
    assert html.unescape(page[start : page.index("</pre>")]).strip() == stored.study.text.strip()


def test_how_exactly_is_what_tolerance_says(chosen, page):
    exact, words = accuracy(chosen.problem, chosen.design), text_of(page)
    assert exact.built is not None
    for band in exact.bands:
        assert band.text.split(": ", 1)[1] in words
    assert exact.built.matters_most in words
    assert f"at most {exact.built.percentiles[0].text} bump steer" in words
    assert np.all(exact.built.toe_low_deg <= exact.built.toe_high_deg)


@pytest.mark.usefixtures("few_cars")
def test_places_that_are_not_acceptable_are_marked_in_the_table_of_shims(stored, chosen):
    """For bump steer, for Ackermann error or a limit; in words, so that a print shows it."""
    clean = accuracy(chosen.problem, chosen.design)
    bump = np.degrees(clean.shims["rack height"].bump_steer)
    steering = replace(
        chosen.problem.steering,
        acceptable_bump_steer=float(np.radians(np.sort(bump)[4:6].mean())),
        acceptable_ackermann_error=1e-5,
    )
    strict = replace(chosen, problem=replace(chosen.problem, steering=steering))
    exact = accuracy(strict.problem, strict.design)
    page = report_html(stored.result, stored.record, answer_of(stored.result), {}, exact)
    table = page[page.index("Shims of 1 mm") :]
    cells = re.findall(r'<td( class="no")?>(.*?)</td>', table[: table.index("</table>")])
    assert len(cells) == len(bump) == 9
    for (marked, text), value in zip(cells, bump, strict=True):
        assert marked
        assert "Ackermann error " in text
        above = f"<br>above {exact.acceptable_deg:g}, Ackermann"
        assert (above in text) == (value > exact.acceptable_deg)
    assert f"The design itself: {exact.others.itself}." in text_of(page)


def test_without_tolerances_there_are_bands_but_no_cars(finished_run, stored, chosen):
    bare = replace(chosen, problem=replace(chosen.problem, tolerances=None))
    exact = accuracy(bare.problem, bare.design)
    assert exact.built is None
    assert exact.bands
    result = finished_run[1]
    words = text_of(report_html(result, stored.record, answer_of(result), {}, exact))
    assert "How exactly it must be made" in words
    assert "Built to the stated tolerances" not in words


def test_figures_that_are_missing_leave_no_hole(stored):
    page = report_html(stored.result, stored.record, answer_of(stored.result), {}, None)
    assert "<figure>" not in page
    assert 'id="bump"' not in page
    assert 'id="exact"' not in page


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (None, 2, "–"),
        (float("nan"), 2, "–"),
        (-0.001, 2, "above −0.01"),
        (0.004, 2, "below 0.01"),
        (0.2, 0, "below 1"),
        (0.0, 2, "0.00"),
        (-0.0, 2, "0.00"),
        (1e-12, 2, "0.00"),
        (-1.25, 1, "−1.2"),
        (3.0, 0, "3"),
    ],
)
def test_numbers_as_text(value, digits, text):
    assert number(value, digits) == text


def with_no_winner(result):
    """The same designs with every one of them breaking its first limit."""
    units = []
    for unit in result.units:
        outcome = unit.evaluation
        constraints = outcome.constraints.copy()
        constraints[:, 0] = np.where(outcome.assembles, 1.5, constraints[:, 0])
        status = outcome.status.copy()
        status[outcome.feasible] = "breaks rack_travel_mm"
        units.append(
            replace(unit, evaluation=replace(outcome, constraints=constraints, status=status))
        )
    return RunResult(result.study, result.problem, tuple(units))


def test_when_nothing_keeps_the_limits_the_nearest_is_shown(stored):
    result = with_no_winner(stored.result)
    assert result.winner is None
    page = report_html(result, stored.record, answer_of(result), {}, None)
    words = text_of(page)
    assert "No design keeps every limit." in words
    assert "The nearest design: it does not keep every limit" in words
    assert f"Design {result.nearest + 1} of trials.csv" in words
    assert "There is nothing to judge it by" in words
    assert "breaks the rack's travel less its margin (each way)" in words


def test_a_run_that_was_cut_short_says_so(stored):
    record = {**stored.record, "finished": False, "problems": ["one <rack> failed"]}
    words = text_of(report_html(stored.result, record, answer_of(stored.result), {}, None))
    assert "This run was cut short" in words
    assert "one <rack> failed" in words


# --- what limits a design ------------------------------------------------------------------------


def test_limits_of_a_design(chosen):
    rows = limit_rows(chosen)
    assert [row.name for row in rows] == list(chosen.problem.constraint_names)
    np.testing.assert_allclose([row.left for row in rows], -chosen.outcome.constraints[0])


def test_binding_limits_are_named(chosen):
    constraints = np.full((1, len(chosen.problem.constraint_names)), -40.0)
    constraints[0, 0], constraints[0, 1] = -0.1, 0.3
    tight = replace(chosen, outcome=replace(chosen.outcome, constraints=constraints))
    assert list(binding_sentences(tight)) == [
        "The rack's travel less its margin (each way) is at its limit: 0.10 mm left.",
        "The toggle margin is broken by 0.30 deg.",
    ]


def test_bounds_that_a_design_leans_on_are_named(chosen):
    value = float(chosen.design.column("rack_height_mm")[0])
    arm = float(chosen.design.column("arm_length_mm")[0])
    space = {
        **dict.fromkeys(chosen.problem.space, Range(-1e4, 1e4)),
        "rack_height_mm": Range(value, value + 100.0),
        "arm_length_mm": Range(arm - 100.0, arm + 0.5),
        "spacer_mm": Stock((0.0, float(chosen.design.column("spacer_mm")[0]) or 5.0)),
    }
    leaning = replace(chosen, problem=replace(chosen.problem, space=space))
    found = list(leaning_sentences(leaning))
    assert found[0] == (
        f"Rack height is at its lower limit of the study ({value:g} mm): widening it may help."
    )
    assert any(line.startswith("Arm length is at its upper limit") for line in found)
    # A stock length at its greatest, at its least, between, and at a least of nothing.
    for value, listed, words in (
        (20.0, (5.0, 20.0), "Spacer length is the greatest listed (20 mm): more may help."),
        (5.0, (5.0, 20.0), "Spacer length is the least listed (5 mm): less may help."),
        (10.0, (5.0, 10.0, 20.0), None),
        (0.0, (0.0, 10.0), None),
        (5.0, (5.0,), None),
    ):
        values = chosen.design.values.copy()
        values[:, VARIABLES.index("spacer_mm")] = value
        spaced = replace(
            chosen,
            design=replace(chosen.design, values=values),
            problem=replace(
                chosen.problem,
                space=dict.fromkeys(space, Range(-1e4, 1e4)) | {"spacer_mm": Stock(listed)},
            ),
        )
        assert list(leaning_sentences(spaced)) == ([] if words is None else [words])
    free = dict.fromkeys(space, Range(-1e4, 1e4))
    assert not list(leaning_sentences(replace(chosen, problem=replace(chosen.problem, space=free))))


# --- written again -------------------------------------------------------------------------------


def test_the_report_from_the_files_alone_is_the_one_of_the_run(copy):
    before = (copy / "report.html").read_bytes()
    (copy / "report.html").unlink()
    assert rewrite_report(read_results(copy)) == copy / "report.html"
    assert (copy / "report.html").read_bytes() == before


def test_the_command(copy, tmp_path):
    (copy / "report.html").unlink()
    code, out, err = run_here("report", copy, cwd=tmp_path)
    assert (code, err) == (0, "")
    assert "report.html" in out
    assert (copy / "report.html").stat().st_size > 100_000
    code, out, err = run_here("report", tmp_path, cwd=tmp_path)
    assert (code, out) == (2, "")
    assert "holds no run.json" in err


# --- in a browser --------------------------------------------------------------------------------

needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium to show the page in")
# A4 less the page's margins of 12 mm, in CSS pixels of 1/96 inch.
PAPER_WIDTH = round((210 - 2 * 12) / 25.4 * 96)
WIDER = """[...document.querySelectorAll('body *')].filter(e => {
    const box = e.getBoundingClientRect();
    return !e.closest('.scroll svg, .scroll table') && box.width > 0
        && box.right > document.documentElement.clientWidth + 1;
}).map(e => e.tagName + '.' + e.className)"""
CUT = """[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)
    .map(e => e.textContent.trim().slice(0, 60))"""
BOXES = """[...document.querySelectorAll('figure svg:not(.moving svg)')].map(e => {
    const box = e.getBoundingClientRect();
    return {x: box.x + scrollX, y: box.y + scrollY, width: box.width, height: box.height};
})"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with Page(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


def pixels(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"), float)


@needs_browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_on_a_screen(finished_run, browser, width, scheme):
    report = finished_run[0] / "report.html"
    browser.look_at(report, width=width, scheme=scheme)
    assert browser.value("document.title") == TITLE
    assert browser.trouble() == []
    assert browser.requests() == [report.resolve().as_uri()]
    assert browser.value("document.documentElement.scrollWidth") <= width
    assert browser.value(WIDER) == []
    # Above and beside the figure, which is on white paper in either scheme.
    top = pixels(browser.picture({"x": 0, "y": 0, "width": 0.45 * width, "height": 200}))
    assert (top.mean() < 90.0) == (scheme == "dark")
    assert top.std() > 15.0


@needs_browser
def test_pictures_are_shown_on_a_light_ground(finished_run, browser):
    browser.look_at(finished_run[0] / "report.html", width=1280, scheme="dark")
    boxes = browser.value(BOXES)
    assert len(boxes) == 7
    for box in boxes:
        assert box["width"] > 400
        seen = pixels(browser.picture(box))
        assert (seen > 240.0).mean() > 0.5
        assert 0.001 < (seen < 128.0).mean() < 0.4


@needs_browser
def test_pictures_have_words(finished_run, browser):
    browser.look_at(finished_run[0] / "report.html", width=1280)
    labels = browser.value(
        "[...document.querySelectorAll('figure svg:not(.moving svg)')]"
        ".map(e => [e.getAttribute('role'), e.getAttribute('aria-label'),"
        " e.querySelector('title').textContent])"
    )
    assert len(labels) == 7
    for role, label, title in labels:
        assert role == "img"
        assert label == title
        assert len(label) > 40


@needs_browser
def test_names_are_not_elements(finished_run, browser):
    browser.look_at(finished_run[0] / "report.html", width=1280)
    assert browser.value("document.querySelectorAll('b, sump').length") == 0
    assert browser.value("document.querySelectorAll('script').length") == 2  # our own
    assert browser.value("document.querySelector('h1').textContent") == TITLE


MOVED = """(() => {
    const slide = (name, value) => {
        const input = document.getElementById('move-' + name);
        input.value = value;
        input.dispatchEvent(new Event('input'));
    };
    slide('travel', -33);
    slide('rack', 21.5);
    return {
        text: document.getElementById('move-text').textContent,
        near: document.getElementById('move-near')?.textContent,
        rod: document.querySelector('#move-above path.rod:not(.before)').getAttribute('d'),
        shown: !document.getElementById('moving').hidden,
    };
})()"""


@needs_browser
def test_sliders_move_the_linkage(finished_run, browser):
    """What the page then says and draws is what is solved for that pose."""
    folder, result = finished_run
    browser.look_at(folder / "report.html", width=1280)
    found = browser.value(MOVED)
    assert browser.trouble() == []
    assert found["shown"]
    chosen = result.chosen(result.foremost)
    attitude = chosen.problem.car.attitude
    left, right = (solve_linkage(chosen.points, -33.0, way * 21.5, attitude) for way in (1, -1))
    said = re.fullmatch(r"Toe-in: left wheel (\S+) deg, right wheel (\S+) deg\.", found["text"])
    for text, pose in zip(said.groups(), (left, right), strict=True):
        toe = -np.degrees(float(pose.steer))
        assert float(text.replace("\u2212", "-")) == pytest.approx(toe, abs=0.05)
    rod = re.match(r"M(\S+) (\S+)L(\S+) (\S+)M", found["rod"])
    ends = np.array([left.inner_joint[[1, 0]], left.outer_joint[[1, 0]]])
    np.testing.assert_allclose([float(v) for v in rod.groups()], -ends.ravel(), atol=0.25)
    check_nearest(found["near"], chosen)


NEAREST = re.compile(
    r"Closest with (\S+) mm of travel and (\S+) mm of rack, the nearest computed pose: "
    r"(?P<pair>.*?)( on the (?P<side>left|right))?(, | overlaps by )(?P<gap>[\d.]+) mm\."
    r"( In every pose alike: (?P<same>.*?)(, | overlaps by )(?P<same_gap>[\d.]+) mm\.)?"
)


def check_nearest(text, chosen):
    """The page names the closest pair of the pose that it says it is of, and its distance."""
    said = NEAREST.fullmatch(text)
    travel, rack = (float(said[i].replace("\u2212", "-")) for i in (1, 2))
    assert abs(travel + 33.0) <= 2.5
    assert abs(rack - 21.5) <= 1.25 + 0.05
    margins = PoseMargins.of(chosen.problem, chosen.design)
    ends = chosen.problem.travel.grid()[[0, -1, -1]], chosen.steering_end_mm * np.array([-1, 1, 0])
    least = {}
    for side, way in (("left", 1.0), ("right", -1.0)):
        poses = margins.poses(np.array([travel, *ends[0]]), way * np.array([rack, *ends[1]]))
        for name, values in margins.pairs(poses, side=side, told_mm=TOLD_MM).items():
            least[pair_words(name), side] = values
    sides = (said["side"],) if said["side"] else ("left", "right")
    gap = float(said["gap"])
    for side in sides:  # it says its pose to a tenth of a millimetre
        assert gap == pytest.approx(abs(least[said["pair"], side][0]), abs=0.11)
    for (name, _), values in least.items():
        if values[0] < gap - 0.11:
            assert np.ptp(values) < 0.005
            assert values[0] >= float(said["same_gap"]) - 0.051, name


@needs_browser
def test_without_clearance_the_linkage_moves_and_nothing_is_said(stored, browser, tmp_path):
    result = stored.result
    chosen = result.chosen(result.foremost)
    silent = replace(chosen, problem=chosen.problem.without_clearance)
    page = template("moving.html.j2").render(moving=moving_data(silent), chosen={"word": "chosen"})
    (tmp_path / "still.html").write_text(f"<body>{page}</body>", "utf-8")
    browser.look_at(tmp_path / "still.html", width=1280)
    found = browser.value(MOVED)
    assert browser.trouble() == []
    assert "near" not in found or found["near"] is None
    assert found["text"].startswith("Toe-in: left wheel ")
    assert "closest" not in page.split("<script")[0].lower()


@needs_browser
def test_in_print_nothing_is_cut(finished_run, browser):
    browser.look_at(finished_run[0] / "report.html", width=PAPER_WIDTH, media="print")
    assert browser.value("document.documentElement.scrollWidth") <= PAPER_WIDTH
    assert browser.value(WIDER) == []
    assert browser.value(CUT) == []
    printed = browser.printed()
    assert printed.startswith(b"%PDF-")
    pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", printed))
    assert 4 <= pages <= 20
    boxes = set(re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed))
    ((width, height),) = boxes
    # A4 in points of 1/72 inch.
    assert float(width) == pytest.approx(210 / 25.4 * 72, abs=1.5)
    assert float(height) == pytest.approx(297 / 25.4 * 72, abs=1.5)


@needs_browser
def test_the_checks_see_what_is_wrong(browser, tmp_path):
    """A page that is too wide, fetches something and fails must be seen to do so."""
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<body><div style='width:3000px'>x</div><img src='http://example.invalid/a.png'>"
        "<script>console.error('no'); nothing()</script>",
        "utf-8",
    )
    browser.look_at(bad, width=800)
    assert len(browser.trouble()) >= 2
    assert len(browser.requests()) == 2
    assert browser.value("document.documentElement.scrollWidth") > 800
    assert browser.value(WIDER) == ["DIV."]


def test_the_run_tries_what_the_study_says(finished_run):
    result = finished_run[1]
    for rack in range(len(RACKS)):
        mine = result.origin[result.designs.rack == rack]
        assert (mine != "refined").sum() >= TRIALS


@pytest.mark.usefixtures("few_cars")
def test_clearances_that_are_not_told_apart_are_named_with_the_limits_own_digits(stored):
    limits = replace(stored.problem.limits, clearance_mm=22.5)
    other = replace(stored.result, problem=replace(stored.problem, limits=limits))
    with_winner(other, stored.result.winner)
    page = report_html(other, stored.record, answer_of(other), {}, None)
    assert "22.5 means 22.5 or more" in text_of(page)


@needs_browser
def test_the_workshop_sheet_prints_on_two_pages(finished_run, browser):
    sheet, paper = finished_run[0] / "sheet.html", round((210 - 2 * 8) / 25.4 * 96)
    browser.look_at(sheet, width=paper, media="print")
    assert browser.trouble() == []
    assert browser.requests() == [sheet.resolve().as_uri()]
    assert browser.value("document.documentElement.scrollWidth") <= paper + 1
    printed = browser.printed()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 2
