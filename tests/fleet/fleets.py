"""What the tests of fleets share: lives counted into one comparable table, whoever read them."""

import numpy as np
import pandas as pd

NOT_OF_FLEETS = ("deployed_on",)


def counted(lives, columns=None):
    """Rows alike counted: times, cause and covariates as text, and how many lives; their order does not matter."""
    frame = lives.covariates.drop(columns=[c for c in NOT_OF_FLEETS if c in lives.covariates])
    if "followed_to" in frame:
        gone = (frame["outcome"].astype(str) == "missing").to_numpy()
        frame = frame.assign(followed_to=np.where(gone, frame["followed_to"], np.nan))
    if columns is not None:
        frame = frame[[*columns]]
    frame = frame.astype(object).where(frame.notna(), None).astype(str)
    frame = frame.assign(entry=lives.entry, lower=lives.lower, upper=lives.upper, cause=lives.cause.astype(str))
    keys = sorted(frame.columns)
    return frame.assign(n=lives.weight).groupby(keys)["n"].sum().reset_index().sort_values(keys, ignore_index=True)


def first_problems(log):
    """How many rows of a log have each field as that of their first problem of scope row."""
    seen = {}
    for problem in log.all_problems:
        if problem.scope == "row":
            seen.setdefault(problem.row_key, problem.field)
    return pd.Series(list(seen.values())).value_counts().to_dict()
