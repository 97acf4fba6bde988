"""Season: every option of a simulated season, checked, with its default and meaning in one place."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from workbench.checks import check_columns, check_one_of, check_positive, check_whole
from workbench.errors import UsageError
from workbench.scenario.world.mechanisms import MECHANISMS

__all__ = ["Season", "season_of"]

_SHARES = (
    "confounding",
    "missing_share",
    "informative_share",
    "withdrawn_share",
    "dead_on_arrival_share",
    "telemetry_share",
    "memory_share",
    "guess_share",
    "still_out_share",
    "redeployed_share",
    "refit_share",
    "opened_failed_share",
    "opened_alive_share",
    "undetermined_share",
    "wrong_verdict_share",
    "not_checked_share",
    "wrong_cause_share",
    "kit_share",
    "typing_error_share",
)


@dataclass(frozen=True, kw_only=True)
class Season:
    """Options of one simulated season; every share lies between 0 and 1, every time is in days.

    Attributes
    ----------
    season : str
        Name written into the column season; "" writes the year of `start`.
    start : str
        ISO date of the first deployment trip.
    days : int
        From the first deployment trip to the last retrieval trip.
    deploy_days : int
        The deployment trips of all sites are spread over so many days.
    mission : int
        Mission for which the true survival is computed.
    sites : int
        Number of sites; the first nine are the places of the Lantern Moor Observatory, further ones are made up.
    visit_gap : tuple of two int
        Shortest and longest time between two visits to a site.
    visit_skipped : float
        Chance that a unit is not looked at although its site is visited.
    failed_share : float
        Share of units expected to fail before the last retrieval if none were lost; sets the baseline life.
        The share seen as failed is a little lower, because units are lost or taken out before.
    shape : float
        Weibull shape of the one life when `competing` is False.
    competing : bool
        True: mechanisms with a shape of their own race, and a choice acts only on mechanisms that it can prevent.
        False: one Weibull accelerated failure time life; effects act on all of it and mechanisms are drawn by share.
    mechanism_shares : mapping of str to float, or None
        Other shares of some mechanisms in the fleet's cumulative hazard, such as {"lid_seal_leak": 0.5}; the others
        keep their proportions.
    exposure_strength : float
        Multiplies what the place does to the mechanisms (environment, corrosivity, flood, damp, animals, people); 0
        switches it off.
    weather_strength : float
        Multiplies what storms and cold do to the hazards; 0 leaves plain Weibull lives.
    storms : int
        Number of storm days, shared by all sites; high water follows at some.
    site_sd : float
        Standard deviation of the site effects on log time.
    confounding : float
        Share of units whose lid seal follows the harshness of their site, the best seal in the worst place;
        the others get theirs by chance.
    shares : mapping of str to mapping of str to float, or None
        Other shares of the levels of some choices, such as {"lid_seal": {"o_ring": 0.5, "cord": 0.5}}.
    batches : mapping of str to float, or None
        Shares of the build batches; None is three of like size.
    kit_share : float
        Chance that a choice of a unit follows its kit (plain, standard or coast); the others are drawn by themselves.
        Choices named in `shares` and an aliased one follow no kit.
    alias : str or None
        A choice that follows the batch exactly, so that the two cannot be told apart.
    unit_prefix : str
        Beginning of the unit numbers.
    first_number : int
        Number of the first unit.
    site_effects : mapping of str to float, or None
        Effects of some sites on log time, instead of drawn ones: the sites of another season, for instance.
    missing_share : float
        Share of units lost, stolen or swept away.
    informative_share : float
        Share of these losses that happen at the moment of failure (the storm that kills also carries off).
    withdrawn_share : float
        Share of units taken out working, for another reason.
    dead_on_arrival_share : float
        Share of units that never recorded.
    telemetry_share : float
        Share of units with telemetry: the day of failure is known.
    memory_share : float
        Share of other failed units whose memory was read to its end: the last good day is known.
    guess_share : float
        Share of other failed units for which somebody wrote a guessed day of failure.
    still_out_share : float
        Share of units that worked at the last retrieval and were left out: last good day only.
    redeployed_share : float
        Share of units that are repaired after failing or being taken out, and put out again (a second row).
    refit_share : float
        Share of units that get the best lid seal at a visit in mid-season (a second row, observed from that day).
    opened_failed_share, opened_alive_share : float
        Shares of failed units and of survivors that are opened and looked at.
    undetermined_share : float
        Share of opened failed units left without a verdict.
    wrong_verdict_share : float
        Share of verdicts that name a wrong mechanism.
    causes : mapping of str to mapping of str to float, or None
        Other weights of the causes of some mechanisms, such as {"immersion": {"installation": 1.0}}.
    wrong_cause_share : float
        Share of verdicts that name another cause than the true one.
    typing_error_share : float
        Share of notes with a typing error.
    not_checked_share : float
        Share of signs not looked for on an opened unit.
    """

    season: str = ""
    start: str = "2025-03-10"
    days: int = 240
    deploy_days: int = 18
    mission: int = 180
    sites: int = 9
    visit_gap: tuple[int, int] = (21, 42)
    visit_skipped: float = 0.05
    failed_share: float = 0.36
    shape: float = 1.6
    competing: bool = True
    mechanism_shares: Mapping[str, float] | None = None
    exposure_strength: float = 1.0
    weather_strength: float = 1.0
    storms: int = 5
    site_sd: float = 0.2
    confounding: float = 0.0
    shares: Mapping[str, Mapping[str, float]] | None = None
    batches: Mapping[str, float] | None = None
    kit_share: float = 0.0
    alias: str | None = None
    unit_prefix: str = "LM-"
    first_number: int = 1
    site_effects: Mapping[str, float] | None = None
    missing_share: float = 0.10
    informative_share: float = 0.3
    withdrawn_share: float = 0.05
    dead_on_arrival_share: float = 0.01
    telemetry_share: float = 0.15
    memory_share: float = 0.2
    guess_share: float = 0.03
    still_out_share: float = 0.03
    redeployed_share: float = 0.0
    refit_share: float = 0.0
    opened_failed_share: float = 0.85
    opened_alive_share: float = 0.3
    undetermined_share: float = 0.15
    wrong_verdict_share: float = 0.07
    causes: Mapping[str, Mapping[str, float]] | None = None
    wrong_cause_share: float = 0.2
    typing_error_share: float = 0.15
    not_checked_share: float = 0.15

    def __post_init__(self) -> None:
        for name in (*_SHARES, "visit_skipped"):
            if not 0 <= check_positive(name, getattr(self, name), zero=True) <= 1:
                raise UsageError(f"{name} must lie between 0 and 1; got {getattr(self, name)!r}")
        if not 0 < check_positive("failed_share", self.failed_share) < 1:
            raise UsageError(f"failed_share must lie between 0 and 1, both excluded; got {self.failed_share!r}")
        for name in ("days", "mission", "sites"):
            check_whole(name, getattr(self, name), least=1)
        for name in ("deploy_days", "first_number", "storms"):
            check_whole(name, getattr(self, name))
        check_positive("shape", self.shape)
        check_positive("site_sd", self.site_sd, zero=True)
        check_positive("exposure_strength", self.exposure_strength, zero=True)
        check_positive("weather_strength", self.weather_strength, zero=True)
        for name, shares in [
            ("batches", self.batches),
            *((f"shares of {c}", s) for c, s in (self.shares or {}).items()),
            *((f"causes of {m}", s) for m, s in (self.causes or {}).items()),
            ("mechanism_shares", self.mechanism_shares),
        ]:
            if shares is not None:
                self._check_shares(name, shares)
        if not 0 <= sum((self.mechanism_shares or {}).values()) < 1:
            raise UsageError(f"mechanism_shares must leave a share to the others; got {self.mechanism_shares!r}")
        self._check_calendar()

    def _check_shares(self, name: str, shares: Mapping[str, float]) -> None:
        if (
            not shares
            or sum(check_positive(f"{name}, {level}", share, zero=True) for level, share in shares.items()) <= 0
        ):
            raise UsageError(f"{name} must give at least one level a share above 0; got {dict(shares)!r}")

    def _check_calendar(self) -> None:
        try:
            datetime.date.fromisoformat(self.start)
        except (TypeError, ValueError):
            raise UsageError(f"start must be an ISO date such as 2025-03-10; got {self.start!r}") from None
        pair = self.visit_gap if isinstance(self.visit_gap, tuple | list) and len(self.visit_gap) == 2 else (2, 1)
        first, last = (check_whole("visit_gap", days, least=1) for days in pair)
        if first > last:
            raise UsageError(f"visit_gap must be a shortest and a longest time in days; got {self.visit_gap!r}")
        if self.deploy_days + last >= self.days:
            raise UsageError(f"days must exceed deploy_days and the longest visit_gap together; got {self.days!r}")

    @property
    def first_day(self) -> datetime.date:
        """The day of the first deployment trip."""
        return datetime.date.fromisoformat(self.start)

    def share_of(self, mechanism: str) -> float:
        """Return the share of a mechanism in the fleet's cumulative hazard."""
        given = self.mechanism_shares or {}
        rest = sum(m.share for name, m in MECHANISMS.items() if name not in given)
        return given.get(mechanism, MECHANISMS[mechanism].share * (1 - sum(given.values())) / (rest or 1.0))

    @property
    def name(self) -> str:
        """What stands in the column season."""
        return self.season or str(self.first_day.year)


def season_of(options: Mapping[str, Any], choices: Mapping[str, tuple[str, ...]]) -> Season:
    """Return the season that the options describe."""
    check_columns(list(options), [f.name for f in fields(Season)], "option")
    season = Season(**options)
    check_columns([*(season.causes or {}), *(season.mechanism_shares or {})], list(MECHANISMS), "mechanism")
    for choice, shares in (season.shares or {}).items():
        check_one_of("shares", choice, list(choices))
        check_columns(list(shares), choices[choice], f"level of {choice}")
    if season.alias is not None:
        check_one_of("alias", season.alias, list(choices))
    return season
