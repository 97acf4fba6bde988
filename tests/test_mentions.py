"""Mentions: a sentence is a text in the log's words, and the same sentence in any other words."""

import copy
import json
import pickle

from workbench.mentions import Mention, Sentence, joined, listed, of_group

SEAL, BATCH = Mention("lid_seal", "o_ring"), Mention("batch")
CLAUSE = Sentence("units with ", SEAL, " of one ", BATCH, " are missing")


def shout(mention: Mention) -> str:
    return (mention.level or mention.column).upper()


def test_a_sentence_is_its_text_and_names_what_it_mentions():
    assert CLAUSE == "units with lid_seal = o_ring of one batch are missing"
    assert CLAUSE.named(shout) == "units with O_RING of one BATCH are missing"
    assert CLAUSE.mentions == (SEAL, BATCH)
    assert str(Mention("lid_seal", "o_ring", alone=True)) == "o_ring"
    assert of_group("a: b", "no unit failed.").named(shout) == "A: B: no unit failed."


def test_a_name_that_looks_like_a_mention_is_left_alone():
    said = Sentence("lid_seal = o_ring was written by hand, ", SEAL, " was not")
    assert said.named(shout) == "lid_seal = o_ring was written by hand, O_RING was not"


def test_sentences_within_a_sentence_keep_their_mentions():
    whole = joined("; ", [CLAUSE, "nothing else", Sentence("see ", listed([SEAL, BATCH, "x"]))])
    assert whole.named(shout) == "units with O_RING of one BATCH are missing; nothing else; see O_RING, BATCH and x"
    assert CLAUSE.finished().named(shout) == "Units with O_RING of one BATCH are missing."
    assert Sentence(SEAL, " is missing").finished() == "lid_seal = o_ring is missing."
    assert (listed([]), listed(["a"]), joined(", ", [])) == ("", "a", "")


def test_a_sentence_survives_being_copied_and_kept():
    for twin in (copy.deepcopy(CLAUSE), pickle.loads(pickle.dumps(CLAUSE))):
        assert twin == CLAUSE and twin.parts == CLAUSE.parts
    assert json.loads(json.dumps([CLAUSE])) == [str(CLAUSE)]
