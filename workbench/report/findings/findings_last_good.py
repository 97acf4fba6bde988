"""Does the answer hang on what the last good day means? A finding of its own while the log does not say."""

import numpy as np

from workbench.report.basis import Finding, SeasonData
from workbench.wording import percent_text

__all__ = ["last_good_findings"]


def last_good_findings(data: SeasonData) -> list[Finding]:
    """Return the share lasting the mission under both meanings of the last good day; nothing where the log says it."""
    doubt = data.last_good_doubt
    if doubt is None:
        return []
    shares = (doubt.as_visit, doubt.as_record)
    known = [share for share in shares if np.isfinite(share)]
    return [
        Finding(
            id="outcome.last_good",
            headline="The answer hangs on what the last good day means",
            kind="bounds",
            section="outcome",
            order=0,
            statement=" ".join(doubt.sentences[:2]),
            estimate=doubt.as_visit,
            lower=min(known, default=None),
            upper=max(known, default=None),
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "The same curve twice: failures anywhere between last_good_on and found_on, and on the day after "
                "last_good_on; lower and upper are the two readings, not limits by chance."
            ),
            caveats=doubt.sentences[2:],
            table={
                "last_good_on is": ["the last visit at which it worked", "the last record in its memory"],
                f"lasted {data.mission_text}": [
                    f"not known; {doubt.may_have} may have failed" if doubt.may_have else _cell(doubt.as_visit),
                    _cell(doubt.as_record),
                ],
            },
        )
    ]


def _cell(share: float) -> str:
    return percent_text(share) if np.isfinite(share) else "not known"
