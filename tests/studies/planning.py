"""Coverage of predicted losses over simulated seasons, on demand: python -m tests.studies.planning [seasons].

Each season is drawn from a known Weibull truth with site effects, analysed, and next season's true losses of a stated
build are drawn from the same truth (same sites, new units); the share of seasons whose limits held them is printed.
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


def main(seasons=200):
    """Print coverage of the 90 % limits and of the spares."""
    rng = np.random.default_rng(20)
    results = [one_season(rng) for _ in range(seasons)]
    held, enough = np.array([r[0] for r in results]), np.array([r[1] for r in results])
    print(f"{seasons} seasons of 160 units, 9 sites, visits every 30 days; builds of 60 units, 90 % nominal")
    for row, kind in enumerate(("flat", "ring")):
        print(f"{kind}: limits held {held[:, row].mean():.3f}, spares sufficed {enough[:, row].mean():.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
