"""Small logs and evidence tables that the tests of teardown share."""

import pandas as pd

TABLE_COLUMNS = ["sign", "family", "where", "mechanism", "strength", "confounder", "next_check", "source"]


def small_table() -> pd.DataFrame:
    """Three signs, two of one family, and two mechanisms."""
    rows = [
        ("ring", "wet", "wall", "leak", "++"),
        ("ring", "wet", "wall", "bite", "-"),
        ("puddle", "wet", "floor", "leak", "+"),
        ("marks", "bite", "jacket", "bite", "++"),
        ("dents", "impact", "lid", "bite", "+"),
    ]
    told = [(*row, "", f"look at the {row[2]}", "common practice, no source") for row in rows]
    return pd.DataFrame(told, columns=TABLE_COLUMNS)


def records(*rows: dict) -> pd.DataFrame:
    """Records with unit_id, deployment and outcome filled in where a row does not give them."""
    filled = [{"unit_id": f"U-{n}", "deployment": 1, "outcome": "failed"} | row for n, row in enumerate(rows)]
    return pd.DataFrame(filled).astype(object)
