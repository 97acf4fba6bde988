"""What a simulated season rests on: places, causes, kits, storms, cold, seals, notes and records."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2_contingency

from workbench.errors import UsageError
from workbench.scenario.paper.records import RECORD_COLUMNS
from workbench.scenario.world.places import COAST_LONGITUDE, PLACES
from workbench.scenario.world.signs import NEEDS_DAMP, NEEDS_WATER, SIGNS
from workbench.scenario.world.simulated_season import Season
from workbench.scenario.world.weather import air_temperature
from workbench.simulate import simulate_records, simulate_season

pytestmark = pytest.mark.slow


def _earth_distance_m(latitude: float, longitude: float, coast: float) -> float:
    """Great-circle distance to the meridian of the coast, on a sphere of radius 6,371 km."""
    a = np.sin(np.radians(longitude - coast)) * np.cos(np.radians(latitude))
    return 6_371_000 * float(np.arcsin(a))


def test_places_lie_where_their_columns_say():
    """Distance to salt water follows from the position; the coast is in one hemisphere, warm from June to August."""
    for place in PLACES:
        away = _earth_distance_m(place.latitude, place.longitude, COAST_LONGITUDE)
        assert away == pytest.approx(place.distance_to_salt_water_m, rel=0.02, abs=5), place.name
        assert place.latitude > 0
    season = Season(start="2025-01-01", days=365)
    for place in PLACES:
        warmest = int(np.argmax(air_temperature(season, place, 365)))
        assert 182 <= warmest <= 220, place.name
    south = replace(PLACES[0], latitude=-47.1)
    assert abs(int(np.argmax(air_temperature(season, south, 365))) - 20) < 10
    low, high = (air_temperature(season, p, 365).mean() for p in (PLACES[0], PLACES[5]))
    assert low - high == pytest.approx(0.0065 * (1184 - 2))  # ISO 2533


def test_causes_differ_within_a_mechanism_and_follow_the_circumstances():
    _, truth = simulate_season(2500, seed=7)
    made = pd.DataFrame({k: truth[k] for k in ("mechanism", "cause", "failure_day")})
    ended = made[made["failure_day"] <= 240]

    assert (ended.groupby("mechanism")["cause"].nunique() >= 2).all()
    assert ended.groupby("mechanism")["cause"].agg(lambda c: c.value_counts(normalize=True).iloc[0]).max() < 0.9
    leaks = ended[ended["mechanism"] == "lid_seal_leak"]
    early = leaks["failure_day"] <= 30
    on_bench = leaks["cause"].isin(["build", "installation"])
    assert on_bench[early].mean() > on_bench[~early].mean() + 0.15
    assert not (leaks["cause"][early] == "wear").any()


def test_given_causes_are_drawn_by_their_weights():
    _, truth = simulate_season(1500, seed=7, causes={"battery_exhausted": {"design": 3.0, "management": 1.0}})
    causes = pd.Series(truth["cause"])[pd.Series(truth["mechanism"]) == "battery_exhausted"]

    assert set(causes) == {"design", "management"}
    assert (causes == "design").mean() == pytest.approx(0.75, abs=3.5 * np.sqrt(0.75 * 0.25 / len(causes)))


def test_kits_tie_choices_together():
    """Cramer's V of two choices: near 0 without kits, high with them; a choice with shares of its own stays free."""

    def tied(log, first, second):
        counts = pd.crosstab(log[first], log[second])
        return float(np.sqrt(chi2_contingency(counts)[0] / len(log) / (min(counts.shape) - 1)))

    free, _ = simulate_season(1500, seed=3)
    kits, truth = simulate_season(1500, seed=3, kit_share=0.8, shares={"lid_seal": {"cord": 0.5, "o_ring": 0.5}})
    assert tied(free, "vent", "board_protection") < 0.08 < 0.5 < tied(kits, "vent", "board_protection")
    assert tied(kits, "lid_seal", "vent") < 0.08
    assert set(truth["kit"]) == {"plain", "standard", "coast"}


def test_storm_days_are_shared_and_found_again_in_the_dates_of_failure():
    """Wind-driven leaks pile up on the storm days, at every site on the same calendar day; others do not."""
    log, truth = simulate_season(2500, seed=5, failed_share=0.7)
    start = pd.to_datetime(log["deployed_on"]).map(lambda d: (d - pd.Timestamp("2025-03-10")).days).to_numpy()
    day, mechanism = start + np.array(truth["failure_day"]) - 1, np.array(truth["mechanism"])  # last day with data
    within = np.array(truth["failure_day"]) <= 200

    def share_on_storms(name):
        of = within & (mechanism == name)
        return np.isin(day[of], truth["storm_days"]).mean()

    plain = len(truth["storm_days"]) / 240
    assert share_on_storms("lid_seal_leak") > 8 * plain
    assert share_on_storms("battery_exhausted") < 3 * plain
    flooded = within & (mechanism == "immersion")
    assert flooded.sum() > 30
    for site, high in truth["flood_days"].items():
        of = flooded & (log["site"] == site).to_numpy()
        assert np.isin(day[of], high).all() and (len(high) or not of.any()), site


def test_cold_ends_batteries_sooner():
    """lifelines' Cox model finds exp(0.05 x 6.5 K) per kilometre of height (lapse rate of ISO 2533), 0 without cold."""
    from lifelines import CoxPHFitter

    for strength in (1.0, 0.0):
        options = {"site_sd": 0.0, "effects": {}, "failed_share": 0.9, "weather_strength": strength}
        log, truth = simulate_season(3000, seed=8, **options)
        days = np.array(truth["mechanism_days"]["battery_exhausted"])
        frame = pd.DataFrame(
            {"days": np.minimum(days, 230), "seen": days <= 230, "km": log["elevation_m"].astype(float) / 1000}
        )
        fit = CoxPHFitter().fit(frame, "days", "seen")
        found, error = fit.params_["km"], fit.standard_errors_["km"]
        assert abs(found - strength * 0.05 * 6.5) < 3 * error < 0.3, (strength, found, error)
        assert (found > 1.5 * error) == (strength == 1.0)


def test_the_place_decides_what_can_happen_there():
    """No salt inside at inland sites, high water only where water is, contact corrosion where the air is salty."""
    logs = [simulate_season(700, seed=s) for s in range(3)]
    log = pd.concat([made for made, _ in logs], ignore_index=True)
    mechanism = pd.Series([m for _, t in logs for m in t["mechanism"]])
    inland = log["distance_to_salt_water_m"].astype(float) > 1000
    ended = log["outcome"] == "failed"

    assert (log["salt_crystals_inside"] == "yes")[~inland].sum() > 50
    assert not (log["salt_crystals_inside"] == "yes")[inland].any()
    sea = log["water_conductivity_us_cm"].astype(float) > 1000
    assert sea[~inland].any() and not sea[inland].any()
    drowned = ended & (mechanism == "immersion")
    assert set(log["site"][drowned]) <= {"Gannet Flats", "Weir Lock", "Upper Tarn", "Mirefold Bog"}
    corroded = (ended & (mechanism == "corrosion_contacts")).groupby(log["site"]).sum()
    assert (
        corroded[["Gannet Flats", "Saltpan Point", "Sandgate Dunes"]].sum()
        > 5 * corroded.drop(["Gannet Flats", "Saltpan Point", "Sandgate Dunes"]).sum()
    )
    water_words = log["notes"].fillna("").str.contains("swept|flood|wrack|high water")
    assert not water_words[log["site"].isin(["Cinder Ridge", "Orchard Lane", "Hollow Wood", "Saltpan Point"])].any()


def test_no_unit_is_dry_and_wet_at_once():
    log, _ = simulate_season(1500, seed=9)
    yes = {s: log[s] == "yes" for s in SIGNS}
    dry = log["condition_found"] == "dry"

    for sign in (*NEEDS_DAMP, *NEEDS_WATER):
        assert not (yes[sign] & dry).any(), sign
    for sign in NEEDS_WATER:
        assert not (yes[sign] & (log["condition_found"] != "wet")).any()
    assert not (yes["dry_and_clean_inside"] & ~dry).any()
    for one, other in (
        ("standing_muddy_water", "standing_clear_water"),
        ("gasket_pinched_or_dirty", "gasket_intact_even_mark"),
        ("cell_voltage_low", "cell_full_unit_dead"),
    ):
        assert yes[one].any() and yes[other].any() and not (yes[one] & yes[other]).any()
    loaded = log["cell_voltage_loaded_v"].astype(float)
    assert loaded[yes["cell_voltage_low"]].max() < 1.1 < loaded[log["cell_voltage_low"] == "no"].min()


def test_an_o_ring_does_not_lengthen_gland_leaks():
    log, truth = simulate_season(2500, seed=2, effects={"lid_seal": {"o_ring": 1.0}}, weather_strength=0.0, site_sd=0.0)
    ring = (log["lid_seal"] == "o_ring").to_numpy()

    assert truth["prevents"]["lid_seal"] == ["lid_seal_leak", "breathing_past_seal"]
    for name, expected in (("lid_seal_leak", 1.0), ("gland_or_connector_leak", 0.0)):
        days = np.log(np.array(truth["mechanism_days"][name]))
        assert days[ring].mean() - days[~ring].mean() == pytest.approx(expected, abs=0.13), name


def test_notes_differ_and_hold_typing_errors():
    log, _ = simulate_season(400, seed=4)
    clean, _ = simulate_season(400, seed=4, typing_error_share=0.0)
    notes, right = log["notes"].dropna(), clean["notes"].dropna()

    assert len(notes) > 100 and notes.value_counts().iloc[0] < 0.06 * len(notes)
    known = {w for note in right for w in note.split(" ")}
    wrong = notes.map(lambda note: any(w not in known and w.isalpha() for w in note.split(" ")))
    assert 0.05 < wrong.mean() < 0.35


def test_records_end_on_the_day_before_the_failure_and_warn_where_they_can():
    log, truth = simulate_season(200, seed=6, redeployed_share=0.03)
    records, known = simulate_records(log, truth, seed=1, every_hours=8)
    rows = {(u, int(d)): i for i, (u, d) in enumerate(zip(log["unit_id"], log["deployment"], strict=True))}

    assert len(records) == len(known) > 130
    warned = missed = 0
    for about in known:
        key = about["unit_id"], about["deployment"]
        table, i = records[key], rows[key]
        assert tuple(table.columns) == RECORD_COLUMNS and len(table) == about["records_kept"]
        out = pd.Timestamp(log.at[i, "deployed_on"])
        last = (pd.Timestamp(about["last_record"]) - out).days
        if about["failed"]:
            assert last == about["failure_day"] - 1 == truth["failure_day"][i] - 1
            end = table["humidity_inside"].tail(4).mean()
            warned += bool(about["damp_from"]) and end > 90
            missed += bool(about["damp_from"]) and end <= 90
            if about["mechanism"] == "battery_exhausted":
                assert table["battery_v"].tail(4).mean() < 2.6 < table["battery_v"].iloc[len(table) // 2]
        else:
            assert last == (pd.Timestamp(log.at[i, "found_on"]) - out).days
            assert table["battery_v"].min() > 2.4
        if about["clock_lost_at"] is None:
            shown = pd.to_datetime(table["time"])
            assert shown.is_monotonic_increasing and shown.iloc[-1] == pd.Timestamp(about["last_record"])
        else:
            assert pd.to_datetime(table["time"]).iloc[-1].year == 2000
    assert warned > 10 and missed <= 0.1 * warned
    assert any(k["clock_lost_at"] for k in known)


def test_impossible_records_are_refused():
    log, truth = simulate_season(10, seed=6)
    with pytest.raises(UsageError, match="units must be one of"):
        simulate_records(log, truth, seed=1, units=["LM-999"])
    with pytest.raises(UsageError, match="the truth is of a log of 10 rows"):
        simulate_records(log.iloc[:5], truth, seed=1)
    with pytest.raises(UsageError, match="every_hours must be a whole number of at least 1"):
        simulate_records(log, truth, seed=1, every_hours=0)
