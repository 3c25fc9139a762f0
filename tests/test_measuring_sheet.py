"""The sheet of what to measure: its order, its blanks, what it leaves out."""

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from small_ensemble import BANDS, ensemble, plan

from ridgepole.solver import PriorError, SolverError, measuring_sheet
from ridgepole.solver.study.ensemble.measuring import WORTH, WORTH_SOMEWHERE
from ridgepole.solver.study.readings import read_readings
from ridgepole.solver.study.unknowns import Unknowns
from ridgepole.solver.views.measuring_page import measuring_form


def test_order_is_that_of_what_changes_the_answer():
    sheet, found = measuring_sheet(ensemble()), ensemble()
    assert [row.place for row in sheet.rows] == list(range(1, len(sheet.rows) + 1))
    shares = [row.surer for row in sheet.rows]
    assert shares == sorted(shares, reverse=True)
    assert [row.unknown.name for row in (*sheet.rows, *sheet.little)] == [
        one.unknown.name
        for worth in (True, False)
        for one in found.contributions
        if (one.share >= WORTH or one.most >= WORTH_SOMEWHERE) == worth
    ]
    assert sheet.rows
    assert sheet.little  # both kinds are there
    assert all(row.most <= 1.1 and row.most_on for row in sheet.rows)
    assert found.measuring_sheet() == sheet


def test_every_row_has_how_and_a_blank_in_the_unit_of_the_file():
    sheet = measuring_sheet(ensemble())
    text = sheet.to_text()
    rows = {row.unknown.name: row for row in (*sheet.rows, *sheet.little)}
    assert (rows["length of long"].unit, rows["length of short"].unit) == ("m", "ft in")
    assert rows["length of long"].told == "8.30 m (-1 to +1 %)"
    assert rows["length of short"].told.startswith("11 ft 2")
    assert rows["feed lead"].unit == "in"  # feet in the file
    assert rows["ground conductivity"].unit == "mS/m"
    assert rows["house cables"].told == "none to 4"
    for row in sheet.rows:
        start = text.index(f"{row.place}. {row.what}")
        own = text[start : start + 700]
        flat = " ".join(own.split())
        assert row.unknown.measure in flat
        assert re.search(r"measured _{8}", flat)
    assert "________ ft ________ in" in text
    assert max(map(len, text.splitlines())) <= 80
    for row in sheet.little:
        assert f". {row.what}" not in text
        assert row.unknown.name in " ".join(text.split())


def test_readings_cover_each_band_what_tells_most_first():
    sheet, found = measuring_sheet(ensemble()), ensemble()
    assert {one.band.name for one in sheet.readings} == set(BANDS)
    spreads = [one.spread for one in sheet.readings]
    assert spreads == sorted(spreads, reverse=True)
    for one in sheet.readings:
        own = found.band(one.band.name)
        z = own.impedances[:, own.frequencies.size // 2]
        gamma = (z - 50.0) / (z + 50.0)
        assert one.spread == pytest.approx(float(gamma.std()))
        assert one.frequencies[0] == one.band.low
        assert one.frequencies[-1] == one.band.high
        assert len(one.frequencies) == 5
    text = sheet.to_text()
    assert text.count("or SWR ________") == 10
    assert "long 8.30 m, short 11 ft 2" in " ".join(text.split())
    # cautions where they belong: of the attic before the climb, of the analyser before reading
    assert text.index("joists only") < text.index("2. Readings")
    assert text.index("2. Readings") < text.index("unplugged")


def test_the_lines_it_asks_for_can_be_read():
    lines = re.findall(
        r"'(7\.05 MHz [^']+)'", " ".join(measuring_sheet(ensemble()).to_text().split())
    )
    assert len(lines) == 2
    for line in lines:
        assert read_readings(line).frequencies.tolist() == [7.05e6]


def test_what_nobody_can_measure_stands_apart():
    found = ensemble()
    name = found.contributions[0].unknown.name
    changed = Unknowns(
        replace(one, measure="nothing in reach; guess") if one.name == name else one
        for one in found.unknowns
    )
    sheet = measuring_sheet(replace(found, unknowns=changed))
    assert [row.unknown.name for row in sheet.out_of_reach] == [name]
    assert name not in [row.unknown.name for row in sheet.rows]
    assert f"Nobody can measure: {name}." in " ".join(sheet.to_text().split())


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in ("br", "meta"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_pages_and_forms():
    sheet = measuring_sheet(ensemble())
    page = sheet.to_html()
    parser = Tags()
    parser.feed(page)
    assert parser.open == []
    assert sheet._repr_html_() in page
    assert page.count('class="blank"') == len(sheet.rows) + 3 * 10
    form = json.loads(json.dumps(measuring_form(sheet), allow_nan=False))
    assert [one["unknown"] for one in form["measure"]] == [r.unknown.name for r in sheet.rows]
    assert form["readings"][0]["frequencies_hz"] == list(sheet.readings[0].frequencies)
    frame = sheet.to_dataframe()
    assert len(frame) == len(ensemble().unknowns)
    assert np.isfinite(frame["surer"]).all()


def test_from_a_plan():
    known = {"ground permittivity": "known", "ground conductivity": "known",
             "height above ground": "known", "cables": 0}  # fmt: skip
    sheet = measuring_sheet(
        plan(), "20 m", unknowns=known, count=16, points=2, progress=False, check=False
    )
    assert sheet.cases == 16
    assert [one.band.name for one in sheet.readings] == ["20 m"]
    with pytest.raises(PriorError, match="count is 3"):
        measuring_sheet(plan(), count=3)


def test_bad_input():
    with pytest.raises(SolverError, match=r"bands, count: a sheet of what how_sure gave"):
        measuring_sheet(ensemble(), ["20 m"], count=32)
    with pytest.raises(SolverError, match=r"'x.toml' is neither a plan"):
        measuring_sheet("x.toml")  # pyright: ignore[reportArgumentType]
