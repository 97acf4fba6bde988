"""Numbers become signs by limits that the settings can move; a sign written down as the opposite is named."""

import numpy as np
import pandas as pd
import pytest

from tests.teardown.builders import records
from workbench.errors import SettingsError
from workbench.log.dictionary import known_signs, known_thresholds, log_columns, read_settings
from workbench.log.season_log.reading import read_log
from workbench.records.courses import LIMITED
from workbench.teardown.mechanisms.measured import RESIDUE_SIGNS, signs_by_measurement
from workbench.teardown.mechanisms.mechanism import suggest_mechanism
from workbench.teardown.mechanisms.opened import read_teardowns


def one(**values):
    return {sign: says[0] for sign, says in signs_by_measurement(records(values)).items() if not np.isnan(says[0])}


@pytest.mark.parametrize(
    ("values", "sign", "says"),
    [
        ({"water_conductivity_us_cm": 40}, "water_conducts_above_rain", 0),  # rain: most samples below 60
        ({"water_conductivity_us_cm": 50_000}, "water_conducts_above_rain", 1),  # sea water, near 50 mS/cm
        ({"weight_found_g": 812, "weight_as_built_g": 803}, "heavier_than_built", 1),
        ({"weight_found_g": 803.5, "weight_as_built_g": 803}, "heavier_than_built", 0),
        ({"insulation_mohm": 0.2}, "insulation_low", 1),
        ({"insulation_mohm": 200}, "insulation_low", 0),
        ({"desiccant_found_g": 31, "desiccant_mass_g": 25}, "desiccant_spent", 1),  # DIN 55473: 6 g in 25 g at 40 %
        ({"desiccant_found_g": 27, "desiccant_mass_g": 25}, "desiccant_spent", 0),
        ({"torque_left_nm": 0.4, "lid_torque_nm": 1.0}, "loose_screws_polished_threads", 1),
        ({"clock_offset_min": -9_000_000}, "clock_at_factory_date", 1),
        ({"cell_voltage_sag_v": 2.1, "cell_voltage_loaded_v": 3.4}, "cell_sags_then_recovers", 1),
        ({"residue_kind": "carbonate"}, "crust_at_cell_ends", 1),
    ],
)
def test_a_number_is_a_sign_by_its_limit(values, sign, says):
    assert one(**values) == {sign: says}


def test_compression_set_follows_iso_815_1():
    """Set = (new - after rest) / (new - squeezed): 3.00, 2.65 and 2.25 mm give 46.7 %."""
    seal = {"seal_thickness_new_mm": 3.0, "seal_squeezed_to_mm": 2.25}
    assert one(**seal, seal_thickness_found_mm=2.65) == {"gasket_flat_and_shiny": 1}
    assert one(**seal, seal_thickness_found_mm=2.90) == {"gasket_flat_and_shiny": 0}  # 13.3 %
    assert one(**seal) == {}


def test_a_voltage_needs_its_chemistry():
    assert one(cell_voltage_loaded_v=2.5) == {}
    assert one(cell_voltage_loaded_v=2.5, battery_chemistry="lithium_ion") == {"cell_low_under_load": 1}
    assert one(cell_voltage_loaded_v=1.2, battery_chemistry="alkaline") == {"cell_low_under_load": 0}


def test_settings_move_a_limit_and_refuse_what_is_none():
    frame = records({"water_conductivity_us_cm": 150})
    assert signs_by_measurement(frame)["water_conducts_above_rain"][0] == 1
    limits = read_settings({"thresholds": {"water_conductivity": 200}}).thresholds
    assert signs_by_measurement(frame, limits)["water_conducts_above_rain"][0] == 0
    with pytest.raises(SettingsError, match="did you mean 'water_conductivity'"):
        read_settings({"thresholds": {"water_conductivty": 200}})
    with pytest.raises(SettingsError, match=r"thresholds.leak_rate must be a number above 0, in kPa/min; got -1"):
        read_settings({"thresholds": {"leak_rate": -1}})


def test_limits_name_fields_signs_and_sources_that_exist():
    fields, signs = {c.name: c for c in log_columns()}, {s.sign for s in known_signs()}
    for threshold in known_thresholds():
        assert threshold.sign in signs and threshold.source and threshold.limit > 0
        if threshold.field in LIMITED:  # follows from a unit's data file
            assert (threshold.other, threshold.chemistry) == ("", "")
            continue
        assert fields[threshold.field].type == "number"
        assert threshold.other in ("", *fields)
        assert threshold.unit == "%" or threshold.unit == fields[threshold.field].unit
    assert set(RESIDUE_SIGNS) <= set(fields["residue_kind"].known_words)
    assert set(RESIDUE_SIGNS.values()) <= signs


def test_a_sign_against_its_measurement_is_named_and_neither_is_used():
    frame = records({"insulation_mohm": 0.1, "insulation_low": "no"}, {"insulation_mohm": 0.1})
    found = read_teardowns(frame, ("insulation_low", "tide_line"))
    assert np.isnan(found.seen[0, 0]) and found.seen[1, 0] == 1
    assert found.problems["reason"].tolist() == [
        "the sign contradicts what was measured for it, by the limit in the settings or the dictionary"
    ]


def test_numbers_of_a_log_speak_for_a_mechanism():
    row = {"unit_id": ["A"], "deployed_on": ["2025-03-01"], "found_on": ["2025-06-01"], "outcome": ["failed"]}
    bench = {"battery_chemistry": "alkaline", "cell_voltage_open_v": 0.8, "cell_voltage_loaded_v": 0.2}
    log = read_log(pd.DataFrame(row | {k: [v] for k, v in bench.items()} | {"dry_and_clean_inside": ["yes"]}))
    assert suggest_mechanism(log).columns["best"][0] == "battery_exhausted"


def test_passivated_cells_read_full_at_rest_and_are_not_called_exhausted():
    frame = {"unit_id": ["A"], "deployed_on": ["2025-03-01"], "found_on": ["2025-06-01"], "outcome": ["failed"]}
    bench = {"battery_chemistry": ["lithium_thionyl"], "cell_voltage_open_v": [3.65], "cell_voltage_sag_v": [2.2]}
    log = read_log(pd.DataFrame(frame | bench | {"cell_voltage_loaded_v": [3.3], "cell_full_unit_dead": ["yes"]}))
    found = suggest_mechanism(log)
    place = {name: number for number, name in enumerate(found.mechanisms)}
    chance = found.probabilities[0]
    assert chance[place["cell_passivation"]] > 3 * chance[place["battery_exhausted"]]
