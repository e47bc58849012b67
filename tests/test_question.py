"""What a study asked, the same rows in every report."""

import html
import re

from small_study import demo_with

from optimiser.answer.question import NO_LIMIT, what_was_asked

DEMO = {
    "wheel travel": "-60 to 60 mm",
    "inner wheel at lock": "34.0 deg",
    "Ackermann target": "0.6 (1 pure rolling, 0 parallel)",
    "bump steer": "made small: the greatest; acceptable up to 0.1 deg",
    "Ackermann error": "made small: the greatest; acceptable up to 0.75 deg",
    "rack": "the cheapest of those that are as good within a tenth of what is acceptable",
    "rack's travel less its margin (each way)": "1 mm left at the required lock",
    "toggle margin": "at least 25 deg",
    "inner joint's angle": "at most 25 deg or the rack's own limit",
    "outer joint's misalignment": "at most 25 deg",
    "spacer length": "at most 25 mm",
    "change of the track": NO_LIMIT,
    "clearance": "at least 5 mm",
    "clearance of the tyre": "at least 8 mm",
    "distance of the feet from where they may stand": "at most 0 mm",
    "angle of the column's upper joint": "at most 30 deg",
    "angle of the column's lower joint": "at most 30 deg",
    "by how much the column misses": "at most 0 mm",
}


def rows(study):
    return {one.what: one.how for one in what_was_asked(study.problem(), "cheapest")}


def test_the_demo_asks_what_its_file_says(tmp_path):
    assert rows(demo_with(tmp_path)) == DEMO


def test_another_study_has_the_same_rows_and_its_own_after_them(tmp_path):
    other = demo_with(
        tmp_path,
        ("toggle_margin_deg = 25", 'toggle_margin_deg = "off"'),
        (
            "[[keep_out]]",
            "[limits.at_most]\nrim_force_n = 36\n[limits.at_least]\nturns_lock_to_lock = 2.2\n"
            '[objectives]\nbump_steer = "rms"\nalso = ["tie_rod_force_n", "buckling_reserve"]\n'
            "acceptable = {buckling_reserve = 4}\n[[keep_out]]",
        ),
    )
    found = rows(other)
    assert [name for name in found if name in DEMO] == list(DEMO)
    changed = {name: how for name, how in found.items() if DEMO.get(name) != how}
    assert changed == {
        "bump steer": "made small: the root mean square; acceptable up to 0.1 deg at its greatest",
        "tie-rod force": "made small",
        "buckling reserve of the rod": "made large; acceptable from 4",
        "toggle margin": NO_LIMIT,
        "force at the rim": "at most 36 N",
        "turns lock to lock": "at least 2.2",
    }


def test_the_report_has_the_table(finished_run, stored):
    page = (finished_run[0] / "report.html").read_text("utf-8")
    (part,) = re.findall(r'<section id="asked">(.*?)</section>', page, re.DOTALL)
    words = html.unescape(re.sub(r"<[^>]+>", "|", part))
    for one in what_was_asked(stored.problem, stored.result.prefer):
        assert f"|{one.what}||{one.kind}||{one.how}|" in words
