"""Settings: every key checked, unknown ones refused with the nearest known, values echoed."""

import datetime as dt
import json
from dataclasses import FrozenInstanceError

import pytest

from workbench.errors import SettingsError, UsageError
from workbench.log.dictionary.settings import MISSING_WORDS, Settings, read_settings
from workbench.log.season_log import read_log

FULL = """
season = "2025"
mission_days = 180
date_format = "%d/%m/%Y"
decimal = ","
window = ["2025-03-01", "2025-12-31"]
missing_words = ["", "-", "k.A."]
sheet = "Log"
failure_means = "no usable record"
decisions = ["Fit O-rings to all units?"]
mechanisms_of_interest = ["water_ingress"]
[rename]
"Seal fitted" = "lid_seal"
[roles]
protection = ["lid colour"]
exposure = ["slope"]
evidence = ["odd_smell"]
ignore = ["firmware"]
[reference]
lid_seal = "flat_gasket"
[levels.lid_seal]
words = { "o ring" = "o_ring" }
labels = { o_ring = "O-ring" }
cost = { o_ring = 2.40 }
[[action]]
what = "O-rings for all"
choice = "lid_seal"
from = "flat_gasket"
to = "o_ring"
since = 2025-03-01
expected = "half the failures"
owner = "workshop lead"
due = "2026-02-01"
"""


def test_a_full_file_is_read_and_echoed(tmp_path):
    path = tmp_path / "season.toml"
    path.write_text(FULL, encoding="utf-8")
    settings = read_settings(path)
    assert settings.window == (dt.date(2025, 3, 1), dt.date(2025, 12, 31)) and settings.mission_days == 180
    assert settings.label("lid_seal", "o_ring") == "O-ring" and settings.label("lid_seal", "cord") == "cord"
    assert settings.cost("lid_seal", "o_ring") == 2.4 and settings.cost("vent", "none") != settings.cost("vent", "none")
    assert settings.action[0]["since"] == "2025-03-01"
    assert settings.further_columns() == ("lid colour", "slope", "odd_smell")
    echo = json.loads(json.dumps(settings.as_dict()))
    assert echo["window"] == ["2025-03-01", "2025-12-31"] and echo["rename"] == {"Seal fitted": "lid_seal"}
    assert read_settings(echo) == settings  # the echo says everything: it reads as the same settings


def test_nothing_gives_the_defaults_and_settings_pass_through():
    assert read_settings(None) == Settings() and read_settings(None).missing_words == MISSING_WORDS
    own = read_settings({"season": 2025})
    assert own.season == "2025" and read_settings(own) is own


def test_settings_are_frozen_all_the_way_down():
    settings = read_settings({"rename": {"a": "site"}})
    with pytest.raises(FrozenInstanceError):
        settings.season = "x"
    with pytest.raises(TypeError):
        settings.rename["b"] = "vent"


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"sesson": 1}, "unknown key 'sesson'; did you mean 'season'"),
        ({"roles": {"protecton": []}}, "roles: unknown key 'protecton'; did you mean 'protection'"),
        ({"levels": {"lid_seal": {"word": {}}}}, "levels.lid_seal: unknown key 'word'; did you mean 'words'"),
        ({"action": [{"wat": "x"}]}, "action 1: unknown key 'wat'; did you mean 'what'"),
        ({"action": [{"choice": "vent"}]}, "action 1 has no 'what'"),
        ({"action": {"what": "x"}}, r"must be written as \[\[action\]\]"),
        ({"decision": [{"as": "x"}]}, "decision 1: unknown key 'as'; did you mean 'ask'"),
        ({"decision": [{"owner": "x"}]}, "decision 1 has no 'ask'"),
        ({"decision": [{"ask": "x", "due": "soon"}]}, "decision 1, due must be a day such as 2026-02-01; got 'soon'"),
        ({"decision": [{"ask": "x", "rests_on": "sealing = cord"}]}, "decision names the column 'sealing'"),
        (
            {"levels": {"lid_seel": {}}},
            "levels names the column 'lid_seel', which does not exist; did you mean 'lid_seal'",
        ),
        (
            {"reference": {"colour": "red"}},
            "reference names the column 'colour', which does not exist; did you mean 'closure'. A further column",
        ),
        ({"reference": {"zzz": "red"}}, "names the column 'zzz', which does not exist; a further column needs a role"),
        ({"rename": {"x": "sitee"}}, "rename names the column 'sitee', which does not exist; did you mean 'site'"),
        ({"action": [{"what": "x", "choice": "sealing"}]}, "action names the column 'sealing'"),
        ({"decimal": ";"}, 'decimal must be "." or ","'),
        ({"date_format": "%d/%m"}, "must hold day, month and year"),
        ({"date_format": "dd/mm/yyyy"}, "must hold day, month and year"),
        ({"date_format": "%Y-%d-%m"}, "reads ISO dates"),
        ({"date_format": 3}, "date_format must be a text"),
        ({"window": ["2025-03-01"]}, "window must be two dates"),
        ({"window": ["2025-03-01", "soon"]}, "window must be a date"),
        ({"window": ["2025-12-31", "2025-03-01"]}, "must begin before it ends"),
        ({"mission_days": 0}, "mission_days must be a whole number of days"),
        ({"mission_days": True}, "mission_days must be a whole number of days"),
        ({"mission_days": "180"}, "mission_days must be a whole number of days"),
        ({"missing_words": "NA"}, "missing_words must be a list of texts"),
        (
            {"levels": {"outcome": {"words": {"kaput": "faild"}}}},
            r"levels.outcome.words, 'kaput': 'faild' is no word for outcome; did you mean 'failed'\? "
            "Write one of failed, working",
        ),
        ({"decisions": "x"}, "decisions must be a list of texts"),
        ({"rename": ["a"]}, "rename must be a table"),
        ({"reference": {"lid_seal": 3}}, "reference, 'lid_seal' must be a text"),
        ({"levels": {"lid_seal": {"cost": {"cord": -1}}}}, "amount of money of at least 0"),
        ({"roles": {"protection": ["x"], "ignore": ["X"]}}, "stands under protection and ignore"),
        ({"roles": {"ignore": ["unit id"]}}, "roles cannot ignore unit id"),
        ({"sheet": " "}, "sheet must be a text"),
        ({"season": 1.5}, "season must be a text"),
    ],
)
def test_wrong_settings_are_refused_in_one_sentence(given, message):
    with pytest.raises(SettingsError, match=message) as caught:
        read_settings(given)
    assert "\n" not in str(caught.value) and isinstance(caught.value, UsageError)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(SettingsError, match="no settings file at"):
        read_settings(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("season = 2025-\n")
    with pytest.raises(SettingsError, match=r"bad\.toml is no valid TOML: .*line 1"):
        read_settings(tmp_path / "bad.toml")
    (tmp_path / "odd.toml").write_bytes(b"season = '\xff\xfe'\n")
    with pytest.raises(SettingsError, match="is not UTF-8 text"):
        read_settings(tmp_path / "odd.toml")


def test_a_spelling_given_for_a_word_means_that_word(tmp_path):
    """Without this a unit called dead was read as one that still worked."""
    path = tmp_path / "log.csv"
    path.write_text(
        "unit_id,deployed_on,found_on,outcome,lid_seal\nA,2025-03-01,2025-09-01,kaput,ring\n", encoding="utf-8"
    )
    words = {"outcome": {"words": {"kaput": "dead"}}, "lid_seal": {"words": {"ring": "O-Ring"}}}
    log = read_log(path, {"levels": words})
    assert list(log.records["outcome"]) == ["failed"] and list(log.records["lid_seal"]) == ["o_ring"]
    assert log.lives().failures == 1
