"""Coverage of predicted losses over simulated seasons, on demand: python -m tests.studies.planning [seasons].

Each season is drawn from a known Weibull truth with site effects, analysed, and next season's true losses of a stated
build are drawn from the same truth (same sites, new units); the share of seasons whose limits held them is printed.
Then the same for three missions where a fifth of the units go missing in the season, as a competing end.
"""

import sys

import numpy as np
import pandas as pd

from workbench import Lives, plan_season

SHAPE, LOSS, MISSION = 1.6, 0.08, 180.0


def one_season(rng, n=160, build_units=60):
    """Return whether the 90 % limits held the losses of each of two builds, and whether the spares sufficed."""
    sites = np.array([f"{e}{k}" for e in ("marsh", "wood", "ridge") for k in range(3)])
    effects = dict(zip(sites, rng.normal(0, 0.3, len(sites)), strict=True))
    table = np.vectorize(effects.get)

    def fleet(m, seal):
        site = rng.choice(sites, m)
        place = np.array([s[:-1] for s in site])
        log = 5.4 + 0.5 * (seal == "ring") - 0.3 * (place == "marsh") + table(site)
        return site, place, np.ceil(np.exp(log) * rng.weibull(SHAPE, m)), rng.random(m) < LOSS

    seal = rng.choice(["flat", "cord", "ring"], n)
    site, place, life, gone = fleet(n, seal)
    # visits every 30 days: failures are known only between two of them
    upper = np.ceil(life / 30) * 30
    lower = upper - 30
    end = np.where(gone, np.minimum(rng.integers(1, 200, n), lower + 1), 210)
    failed = (upper <= 210) & ~gone
    lives = Lives.from_arrays(
        lower=np.where(failed, lower, np.where(gone, end, 210)),
        upper=np.where(failed, upper, np.inf),
        covariates=pd.DataFrame(
            {
                "lid_seal": seal,
                "environment": place,
                "site": site,
                "outcome": np.where(gone, "missing", np.where(failed, "failed", "working")),
            }
        ),
    )
    build = pd.DataFrame({"build": ["plain", "better"], "lid_seal": ["flat", "ring"], "units": build_units})
    plan = plan_season(lives, build, mission=MISSION, confidence=0.9, seed=int(rng.integers(1 << 30))).table
    held, enough = [], []
    for row, kind in enumerate(("flat", "ring")):
        _, _, next_life, next_gone = fleet(build_units, np.full(build_units, kind))
        losses = int(((next_life <= MISSION) | next_gone).sum())
        held.append(plan["losses_lower"][row] <= losses <= plan["losses_upper"][row])
        enough.append(losses <= plan["spares"][row])
    return held, enough


def season_with_missing(rng, gap, n=160, build_units=60, season=210):
    """Whether the 90 % limits held the losses by day 30, 90 and 210; visits every `gap` days, 0: known to the day."""

    def fleet(m):
        return 400 * rng.weibull(SHAPE, m), rng.exponential(season / -np.log(0.8), m)

    life, lost = fleet(n)
    step = gap or 1
    # a failed unit counts as failed when the visit that follows still finds it
    found = np.ceil(life / step) * step
    failed = (found <= season) & (lost > (found if gap else life))
    gone = ~failed & (np.minimum(lost, season) < season)
    last = np.floor(np.minimum(np.minimum(lost, life), season) / step) * step
    lives = Lives.from_arrays(
        lower=np.where(failed, found - step, np.where(gone, last, season)),
        upper=np.where(failed, found, np.inf),
        covariates=pd.DataFrame({"outcome": np.where(failed, "failed", np.where(gone, "missing", "working"))}),
    )
    held = []
    for mission in (30.0, 90.0, 210.0):
        build = pd.DataFrame({"units": [build_units]})
        plan = plan_season(lives, build, mission=mission, seed=int(rng.integers(1 << 30))).table
        losses = int((np.minimum(*fleet(build_units)) <= mission).sum())
        held.append(plan["losses_lower"][0] <= losses <= plan["losses_upper"][0])
    return held


def main(seasons=200):
    """Print coverage of the 90 % limits and of the spares."""
    rng = np.random.default_rng(20)
    results = [one_season(rng) for _ in range(seasons)]
    held, enough = np.array([r[0] for r in results]), np.array([r[1] for r in results])
    print(f"{seasons} seasons of 160 units, 9 sites, visits every 30 days; builds of 60 units, 90 % nominal")
    for row, kind in enumerate(("flat", "ring")):
        print(f"{kind}: limits held {held[:, row].mean():.3f}, spares sufficed {enough[:, row].mean():.3f}")
    for gap in (0, 30):
        held = np.mean([season_with_missing(rng, gap) for _ in range(seasons)], axis=0)
        known = f"visits every {gap} days" if gap else "ends known to the day"
        print(f"20 % missing in 210 days, {known}: limits held by day 30 / 90 / 210 {held.round(3).tolist()}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
