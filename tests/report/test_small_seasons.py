"""Seasons that are nearly empty or perfectly split: the review is written all the same, and shows no nonsense."""

import json
import re

import pytest

from workbench.report.making.assembly import review

pytestmark = pytest.mark.slow

HEAD = "unit_id,deployed_on,outcome,last_good_on,found_on,site,lid_seal,vent\n"


def split(i):
    end = f"failed,2025-05-{i % 27 + 1:02d},2025-06-{i % 27 + 1:02d}" if i % 2 == 0 else "working,2025-10-01,2025-10-01"
    return f"2025-03-01,{end},S{i % 3},{'cord' if i % 2 else 'o_ring'},{'none' if i % 4 < 2 else 'membrane'}"


def found_late(i):
    end = "failed,,2025-09-01" if i % 3 == 0 else "working,,2025-09-01"
    return f"2025-03-01,{end},S{i % 2},{'cord' if i % 2 else 'o_ring'},none"


SEASONS = {
    "one unit": (1, lambda i: "2025-03-01,failed,2025-05-01,2025-06-01,X,cord,none"),
    "all missing": (6, lambda i: "2025-03-01,missing,,,X,cord,none"),
    "all dead on arrival": (12, lambda i: f"2025-03-01,failed,2025-03-01,2025-03-01,S{i % 3},{'ab'[i % 2]},none"),
    "every unit of one level failed and none of the other": (30, split),
    "nobody looked before the end": (24, found_late),
}


@pytest.mark.parametrize("name", SEASONS)
def test_a_review_is_written_without_nonsense(tmp_path, name):
    units, line = SEASONS[name]
    path = tmp_path / "season.csv"
    path.write_text(HEAD + "".join(f"A{i},{line(i)}\n" for i in range(units)))
    made = review(path, tmp_path / "out")

    shown = re.sub(r'src="data:[^"]*"', "", made.html.read_text(encoding="utf-8"))
    words = re.sub(r"<(script|style)>.*?</\1>|<[^>]*>", " ", shown, flags=re.DOTALL)
    assert not re.search(r"\b(nan|NaN|inf|1\.0 days?)\b", words)
    found = json.loads(made.findings.read_text(encoding="utf-8"))
    assert found["log"]["rows"] == found["log"]["used"] == units
    for finding in found["findings"]:
        assert None in (finding["lower"], finding["estimate"]) or finding["lower"] <= finding["estimate"] + 1e-9
    lasting = next(f for f in found["findings"] if f["id"] == "outcome.lasting")
    ages = ("about 91 of 100", "99 of 100 seasons")
    assert sum(words in caveat for words in ages for caveat in lasting["caveats"]) == (units < 30)
    if name == "nobody looked before the end":
        assert lasting["lower"] < 16 / 24 < lasting["estimate"] < lasting["upper"] == 1
        assert any("8 failed units nobody knows" in caveat for caveat in lasting["caveats"])
