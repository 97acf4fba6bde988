"""Which number does a review give for which meaning? Numbers with their nouns, read from all that people read.

A number means what its noun says, narrowed by the words around it: a level, a place, a mechanism, a sign in its
sentence or in the title above it, or one of `NARROWING`. Two numbers for one meaning stand only where one sentence
with that meaning holds both.
"""

import html
import json
import re
from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations

NUMBER = r"(\d[\d,]*(?:\.\d+)?)"
NOUNS = (
    ("deployments", rf"{NUMBER} deployments?\b"),
    ("units", rf"{NUMBER} units\b"),
    ("failures", rf"(?<!and ){NUMBER} failures?\b(?! without)|\bthe {NUMBER} that failed\b|{NUMBER} failed\b"),
    ("missing", rf"{NUMBER} (?:are missing|is missing|missing\b|never came back|went missing)"),
    ("without a mechanism", rf"{NUMBER} (?:of {NUMBER} )?failures? (?:of {NUMBER} )?(?:have|has|without)"),
    ("lost", rf"{NUMBER} (?:of {NUMBER} \w+ )?(?:were |was )?lost\b|lose about {NUMBER}|expect about {NUMBER} of"),
    ("share that lasted", rf"{NUMBER} % (?:of (?:all )?(?:units|deployments) )?lasted\b|{NUMBER} of 100 lasted\b"),
    ("day by which one in ten had failed", rf"[Oo]ne (?:\w+ )?in ten had failed by day {NUMBER}"),
    ("size of a trial that proves", rf"fair trial of (?:about )?{NUMBER} units"),
    ("rows of the log", rf"{NUMBER} rows\b"),
)
"""What is counted, and how a sentence puts its number: the first group that holds one."""

NARROWING = re.split(
    ", ",
    (
        "alone, among, as built, as last season, asks for, at least, at random, between, built, by day, carry, claim, "
        "cost, could not be used, cut, data-days, drawn, dry, each, entered, expect, extra, fair trial, first, half, "
        "if, inspections, instead, known, known to the day, last season, late, later, least, left out, level, look, "
        "may have, more, name, next season, not counted, of interest, of them, of which, on one side, only, opened, "
        "or, over, read, repair, second look, set aside, several rows, signs give, stand, still working, supported, "
        "sure, survivor, switched, telemetry, tested, this season, those there, trial, under, units with, used, wet, "
        "within, without, would"
    ),
)
"""Words of a sentence that make its number one of a part, or of another time."""


@dataclass(frozen=True)
class Said:
    """One number as one sentence of a finding gives it."""

    meaning: str
    narrowed: tuple[str, ...]
    number: float
    where: str
    sentence: str


def texts_of(review):
    """Every text that people read, by where it stands: headlines, points, words to say, statements, tables, summary."""
    texts = {}
    for claim in review.claims:
        caption = "" if claim.figure is None else claim.figure.caption
        lines = [claim.headline, *claim.points, claim.say, claim.statement, *claim.caveats, claim.method, caption]
        if claim.units is not None and claim.on_slide:
            lines.append(counted_line(review, claim))
        texts[claim.id] = lines
    document = json.loads(review.findings.read_text(encoding="utf-8"))
    for finding in document["findings"]:
        texts.setdefault(finding["id"], [finding["statement"]])
    page = review.summary.read_text(encoding="utf-8")
    page = page[page.index("<main>") :]
    texts["summary"] = [html.unescape(re.sub("<[^>]+>", "", x)) for x in re.findall(r"(?s)<li>(.*?)</li>", page)]
    return {
        place: [line.replace("\u00a0", " ").replace("\u2011", "-") for line in lines] for place, lines in texts.items()
    }


def counted_line(review, claim):
    """What the foot of the slide says that the claim rests on, as the page of the review shows it."""
    whole = next(c.units for c in review.claims if c.id == "talk.sent")
    return f"{claim.units} of {whole} behind {claim.id}"


def narrowing_names(review):
    """Names of levels, places, mechanisms and signs, as tables and settings show them."""
    names = set()
    for claim in review.claims:
        for cells in list((claim.table or {}).values())[:2]:
            names |= {str(cell).casefold() for cell in cells}
    document = json.loads(review.findings.read_text(encoding="utf-8"))
    for levels in (document["settings"].get("levels") or {}).values():
        names |= {str(name).casefold() for name in (levels.get("labels") or {}).values()}
    return {
        name for name in names if re.search(r"[a-z]{2}", name) and name not in {"all", "failed", "missing", "units"}
    }


def numbers_said(review):
    """Every number with a noun, and what narrows it: words of its sentence, and names in the title above it."""
    names, found, counted = narrowing_names(review), [], what_is_counted(review)
    titles = {claim.id: claim.headline for claim in review.claims if claim.section != "talk"}
    for place, lines in texts_of(review).items():
        above = names_in(titles.get(place.split("/")[0], ""), names)
        for line in lines:
            for sentence in sentences_of(line):
                quoted = set(re.findall(r"'([^']+)'|“([^”]+)”", sentence))
                narrowed = (
                    above | names_in(sentence, names) | names_in(sentence, NARROWING) | {"".join(q) for q in quoted}
                )
                for meaning, pattern in NOUNS:
                    for hit in re.finditer(pattern, sentence):
                        number = next(g for g in hit.groups() if g is not None)
                        what = counted if meaning == "deployments" else meaning
                        found.append(Said(what, tuple(sorted(narrowed)), as_number(number), place, sentence))
    return found


def what_is_counted(review):
    """Units, or deployments where some were out twice, as the second slide says; else each deployment is a unit."""
    (sent,) = [claim for claim in review.claims if claim.id == "talk.sent"]
    return "deployments" if "deployments" in sent.headline else "units"


def sentences_of(line):
    return re.split(r"(?<=[.?!])\s+", line)


def as_number(text):
    return float(text.replace(",", ""))


def names_in(text, names):
    low = text.casefold()
    return {name for name in names if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", low)}


def contradictions(review, said):
    """Meanings with two numbers of which no sentence holds both, with where each stands; of the numbers said."""
    given = defaultdict(lambda: defaultdict(list))
    for one in said:
        given[one.meaning, one.narrowed][one.number].append(one)
    texts = {s for lines in texts_of(review).values() for line in lines for s in sentences_of(line)}
    held = {m: [numbers_in(s) for s in texts if re.search(pattern, s)] for m, pattern in NOUNS}
    held["units"] += held["deployments"] if what_is_counted(review) == "units" else []
    return [
        (*key, numbers[low][0], numbers[high][0])
        for key, numbers in given.items()
        for low, high in combinations(sorted(numbers), 2)
        if not any({low, high} <= both for both in held[key[0]])
    ]


def numbers_in(sentence):
    return {as_number(n) for n in re.findall(NUMBER, sentence)}
