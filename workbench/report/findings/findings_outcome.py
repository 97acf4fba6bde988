"""Findings on what was out and what came back: how deployments ended, rows that reconcile, bounds for the missing."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from workbench.errors import WorkbenchError
from workbench.estimate.curves import survival_curve
from workbench.estimate.shared import failed_by
from workbench.log.season_log import said_first
from workbench.report.basis import Drawing, Finding, SeasonData, missing_runs, site_caveat
from workbench.report.figures import Dots, Timeline
from workbench.report.words import age_sentence, limits_words, median_sentence
from workbench.wording import by_number, count_of, interval_text, join_words, percent_text

__all__ = ["outcome_findings"]

FEW_FOR_AGES = "With so few units the 95 % limits of an age held the truth in about 91 of 100 simulated seasons."
WIDE_AGES = (
    "With so few units, seen only at visits, 95 % limits of an age are wide: they held the truth in 99 of 100 seasons."
)

ENDS = {"failed": "failed", "working": "still working", "missing": "missing", "withdrawn": "taken out"}


def outcome_findings(data: SeasonData) -> list[Finding]:
    """Return what was out, what came back, how long units lasted overall, and what the missing ones could change."""
    findings = [_ends(data), _reconciled(data)]
    findings += _lasting(data)
    findings += _missing(data)
    findings += _by_site(data)
    return findings


def _ends(data: SeasonData) -> Finding:
    lives = data.lives
    outcome = lives.covariates["outcome"].astype(str)
    counts = {name: int(lives.weight[(outcome == name).to_numpy()].sum()) for name in ENDS}
    units = data.lives.units_among()
    parts = []
    for name, words in ENDS.items():
        number = counts[name]
        verb = {"failed": "", "working": "were ", "missing": "are ", "withdrawn": "were "}[name]
        verb = {"were ": "was ", "are ": "is "}.get(verb, verb) if number == 1 else verb
        parts.append(f"{'none' if number == 0 else number} {verb}{words}")
    gone = f", {counts['missing']} {by_number(counts['missing'], 'is', 'are')} missing" if counts["missing"] else ""
    subject = count_of(lives.units, data.counted)
    if units != lives.units:
        subject += f" of {count_of(units, 'unit')}"
    statement = f"Of {subject} put out, {join_words(parts)}."
    exact = int(lives.weight[lives.exact & lives.failed].sum())
    spans = counts["failed"] - exact
    if counts["failed"]:
        statement += (
            f" The day of failure is known for {count_of(exact, 'deployment')}; for {count_of(spans, 'deployment')} it"
            " lies somewhere between two inspections of the unit."
        )
    return Finding(
        id="outcome.ends",
        headline=f"{counts['failed']} of {count_of(lives.units, data.counted)} failed{gone}",
        kind="count",
        section="outcome",
        order=1,
        statement=statement,
        estimate=counts["failed"],
        unit="deployments",
        units=lives.units,
        failures=counts["failed"],
        method="Counted from the rows used; outcomes are as recorded, none is assumed.",
        caveats=said_first(data.log),
        table={
            "end": [words for words in ENDS.values()],
            "deployments": [counts[name] for name in ENDS],
            "share": [percent_text(counts[name] / lives.units) for name in ENDS],
        },
        figure=_timeline(data),
    )


def _timeline(data: SeasonData) -> Drawing | None:
    lives, covariates = data.lives, data.lives.covariates
    if "deployed_on" not in covariates:
        return None
    start = covariates["deployed_on"].to_numpy().astype("datetime64[D]")
    end = np.where(lives.failed, lives.upper, lives.lower)
    unit = lives.cluster if lives.cluster is not None else np.arange(len(lives)).astype(str)
    timeline = Timeline(
        columns={
            "unit": np.array([str(u) for u in unit], dtype=object),
            "outcome": covariates["outcome"].astype(str).to_numpy(dtype=object),
            "start": start,
            "seen_from": start + lives.entry.astype("timedelta64[D]"),
            "last_good": start + lives.lower.astype("timedelta64[D]"),
            "end": start + end.astype("timedelta64[D]"),
        }
    )
    return Drawing(
        result=timeline,
        alt=(
            "One line for each deployment over the months of the season, grouped by how it ended; failed units end in a"
            " thick span between the last day known good and the day found failed."
        ),
        caption="Each line is one deployment; dotted where the unit was not yet under observation.",
    )


def _reconciled(data: SeasonData) -> Finding:
    log, lives = data.log, data.lives
    aside = int(log.rows) - int(log.used)
    failed = lives.failed

    def count(rows: np.ndarray) -> int:
        return int(lives.weight[rows].sum())

    counts = {
        "rows read": int(log.rows),
        "rows set aside": aside,
        "rows used": int(log.used),
        "lives made of them": lives.units,
        "failures": lives.failures,
        "of these known to the day": count(lives.exact & failed),
        "of these between two days": count(failed & ~lives.exact),
        "ended unfailed": count(~failed),
        "came under observation late": count(lives.entry > 0),
        "failed on the first day": count(failed & (lives.upper <= 1)),
    }
    kept = f"all {log.used} were used" if aside == 0 else f"{log.used} were used and {aside} set aside"
    return Finding(
        id="outcome.rows",
        headline="Every row of the log is accounted for",
        kind="count",
        section="appendix",
        order=1,
        statement=f"Of {count_of(int(log.rows), 'row')} in the log {kept}; every row is accounted for.",
        estimate=int(log.used),
        unit="rows",
        method="Rows read equal rows used plus rows set aside; set_aside.csv and ledger.csv hold them one by one.",
        caveats=(*said_first(data.log), *data.log.notes)[:4],
        table={"what": list(counts), "number": list(counts.values())},
    )


def _lasting(data: SeasonData) -> list[Finding]:
    try:
        curve = survival_curve(data.lives, confidence=data.confidence)
    except WorkbenchError as error:
        return [_unknown("outcome.lasting", f"How long units last could not be estimated: {error.clause}.")]
    at = curve.at(data.mission).iloc[0]
    quantile = curve.quantile([0.1, 0.5])
    last = float(data.lives.time.max())
    end = curve.at(last).iloc[0]
    known, may_have = failed_by(data.lives, data.mission)
    if np.isfinite(at["survival"]) and may_have and not known:
        limits = limits_words(percent_text(at["lower"]), percent_text(at["upper"]), data.confidence)
        first = (
            f"None of {count_of(data.lives.units, data.counted)} is known to have failed by {data.mission_text}; "
            f"{may_have:,} may have (share lasting: {limits})."
        )
    elif np.isfinite(at["survival"]):
        limits = limits_words(percent_text(at["lower"]), percent_text(at["upper"]), data.confidence)
        first = f"{percent_text(at['survival'])} of all {data.counted}s lasted {data.mission_text} ({limits})."
    else:
        first = f"How many units last {data.mission_text} is not known: none was observed that long."
    b10, median = ((float(row.time), float(row.lower), float(row.upper)) for row in quantile.itertuples())
    early = age_sentence("One unit in ten", b10, data.confidence)
    half = median_sentence(median, float(end["survival"]), f"day {last:.0f}", confidence=data.confidence)
    return [
        Finding(
            id="outcome.lasting",
            headline=f"How many last {data.mission_text}, all together",
            kind="share",
            section="outcome",
            order=2,
            statement=" ".join(filter(None, (first, early, half))),
            estimate=at["survival"],
            lower=at["lower"],
            upper=at["upper"],
            confidence=data.confidence,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method=_curve_method(curve),
            caveats=(
                *data.last_good_said[:2],
                *site_caveat([(data.lives, 1.0)], data.mission),
                *_open_at(data),
                *_worth_of_ages(data),
                *(note.named(lambda group: "All units") for note in curve.notes if note.mentions),
            ),
            figure=Drawing(
                result=curve,
                alt=(
                    "Share of all units still working by days since deployment, with limits as a band and numbers"
                    " below."
                ),
                options={"mission": data.mission},
            ),
        )
    ]


def _worth_of_ages(data: SeasonData) -> tuple[str, ...]:
    """Say how often limits of ages held the truth, where that is not about 95 of 100."""
    units, exact = data.lives.units_among(), data.lives.is_right_censored
    if exact:
        return (FEW_FOR_AGES,) if units < 10 else ()
    return (WIDE_AGES,) if units < 30 else ()


def _open_at(data: SeasonData) -> tuple[str, ...]:
    """Say how many units may have failed on either side of the mission, where it is one in ten or more."""
    lives = data.lives
    units = lives.units_among((lives.lower < data.mission) & (lives.upper > data.mission) & lives.failed)
    if units < 0.1 * lives.units_among():
        return ()
    return (
        f"Of {count_of(units, 'failed unit')} nobody knows whether they still worked on day {data.mission:g}: their "
        "failures are spread evenly between the two inspections, and the limits leave room for either end.",
    )


def _curve_method(curve: object) -> str:
    if getattr(curve, "kind", "") == "npmle":
        return (
            "Estimated without assuming a form for the life, from the spans in which failures lie; inside a span"
            " failures are spread evenly, and limits leave room for either end. Limits by likelihood ratio."
        )
    return "Product-limit curve; limits on the log(-log) scale, exact before the first failure."


MISSING_RUNS = {
    "failed": ("had failed the day after they were last known good", "all failed at once"),
    "suspended": ("are like the units that were still watched (main figure)", "like the others"),
    "worked": ("worked to the last visit of their site", "all worked on"),
}
"""Assumption: its words in the table, and in the figure."""


def _by_site(data: SeasonData) -> list[Finding]:
    """The same curve for each site, as small pictures side by side; nothing where fewer than two sites are named."""
    if "site" not in data.lives.covariates or data.lives.covariates["site"].nunique() < 2:
        return []
    known = data.lives.take(data.lives.covariates["site"].notna().to_numpy())
    try:
        curve = survival_curve(known, "site", confidence=data.confidence)
    except WorkbenchError:
        return []
    at = curve.at(data.mission).set_index("group")
    names, sites = {s: data.label("site", s) for s in curve.labels}, known.covariates["site"].astype(str).to_numpy()
    units = {s: int(known.weight[sites == s].sum()) for s in curve.labels}
    failures = {s: int(known.weight[(sites == s) & known.failed].sum()) for s in curve.labels}
    rates = {s: failures[s] / units[s] for s in curve.labels}
    worst, best = max(rates, key=lambda s: rates[s]), min(rates, key=lambda s: rates[s])
    ends = {s: (percent_text(at.loc[s, "lower"]), percent_text(at.loc[s, "upper"])) for s in curve.labels}
    return [
        Finding(
            id="outcome.sites",
            headline="How many last, site by site",
            kind="share",
            section="outcome",
            order=4,
            statement=(
                f"Failures by site range from {failures[best]} of {units[best]} at {names[best]} to "
                f"{failures[worst]} of {units[worst]} at {names[worst]}."
            ),
            units=known.units,
            failures=int(known.failures),
            method="The curve of all together, for each site alone.",
            caveats=(
                "Few stood at each site: differences between sites are partly chance, and partly what was built in.",
            ),
            table={
                "site": [names[s] for s in curve.labels],
                f"{data.counted}s / failed": [f"{units[s]} / {failures[s]}" for s in curve.labels],
                f"lasted {data.mission_text}": [percent_text(at.loc[s, "survival"]) for s in curve.labels],
                "limits": [interval_text(*ends[s]) for s in curve.labels],
            },
            figure=Drawing(
                result=curve,
                alt="One small picture for each site: its share still working by day, other sites in grey.",
                options={"mission": data.mission, "labels": names, "subtitle": ""},
            ),
        )
    ]


def _missing(data: SeasonData) -> list[Finding]:
    gone = (data.lives.covariates["outcome"].astype(str) == "missing").to_numpy()
    missing = int(data.lives.weight[gone].sum())
    if missing == 0:
        return []
    try:
        runs = {
            name: survival_curve(lives, confidence=data.confidence) for name, lives in missing_runs(data.lives).items()
        }
    except WorkbenchError:
        return []
    rows = {name: runs[name].at(data.mission).iloc[0] for name in MISSING_RUNS}
    known = {name: float(row["survival"]) for name, row in rows.items()}
    if not all(np.isfinite(list(known.values()))):
        return []
    low, high = min(known.values()), max(known.values())
    headline, statement = _missing_words(data, missing, percent_text(low), high=percent_text(high))
    return [
        Finding(
            id="outcome.missing",
            headline=headline,
            kind="bounds",
            section="outcome",
            order=3,
            statement=statement,
            estimate=known["suspended"],
            lower=low,
            upper=high,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method="Three runs of the same curve; lower and upper are the two extremes, not limits by chance.",
            caveats=(
                (
                    "Units often go missing for the reasons that make them fail (storm, flood, people), so the loss may"
                    " not be independent of failure."
                ),
            ),
            table=_missing_table(data, rows),
            figure=_missing_bars(data, rows),
        )
    ]


def _missing_words(data: SeasonData, missing: int, low: str, *, high: str) -> tuple[str, str]:
    """Headline and statement on what became of the missing units, whose two extremes give two shares as shown."""
    those = by_number(missing, "the missing unit", f"the {missing:,} missing units")
    ends = (
        "The two ends are what the figure would be if "
        f"{by_number(missing, 'it', 'they all')} failed at once, or {by_number(missing, 'worked', 'all worked')} on."
    )
    if low == high:
        return (
            "Missing units could not change the answer",
            f"Whatever became of {those}, the share lasting {data.mission_text} is {low}.",
        )
    return (
        f"Missing units: the answer lies between {low} and {high}",
        f"What became of {those} moves the share lasting {data.mission_text} between {low} and {high}. {ends}",
    )


def _missing_table(data: SeasonData, rows: Mapping[str, Any]) -> dict[str, list[str]]:
    ends = [limits_words(percent_text(r["lower"]), percent_text(r["upper"]), data.confidence) for r in rows.values()]
    return {
        "if the missing units": [MISSING_RUNS[name][0] for name in rows],
        f"lasted {data.mission_text}": [percent_text(row["survival"]) for row in rows.values()],
        "limits": ends,
    }


def _missing_bars(data: SeasonData, rows: Mapping[str, Any]) -> Drawing:
    numbers = {
        name: np.array([float(row[column]) for row in rows.values()])
        for name, column in (("value", "survival"), ("lower", "lower"), ("upper", "upper"))
    }
    labels = np.array([MISSING_RUNS[name][1] for name in rows], dtype=object)
    return Drawing(
        result=Dots(columns={"label": labels, **numbers}, axis=f"units lasting {data.mission_text} (%)", percent=True),
        alt=(
            "Dots with limits for the share lasting the mission if the missing units are like the others, failed at"
            " once, or worked on."
        ),
    )


def _unknown(name: str, sentence: str) -> Finding:
    return Finding(
        id=name,
        kind="not known",
        section="outcome",
        order=2,
        statement=sentence,
        method="Not estimable.",
    )
