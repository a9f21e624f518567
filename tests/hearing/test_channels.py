"""Who spoke: a lens that is shown is no answer, and a voice counts in its own microphone only."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.channels import Asked, CrossTalk, Turns, hears_two, is_bare_name, is_question
from assistant.hearing.cutter import FRAME
from assistant.hearing.recogniser import RATE, Samples
from assistant.protocol.meanings import CHOICE_ANSWERS, Heard, Meaning, Outcome, Speaker

M = Meaning


def said(text: str, meaning: Meaning | None, outcome: Outcome = Outcome.HEARD) -> Heard:
    return Heard(text, outcome, meaning)


ONE, TWO = said("one", M.FIRST), said("two", M.SECOND)
WHOLE = said("which is better one or two", M.QUESTION)


def through(turns: Turns, *utterances: Heard) -> list[str | None]:
    """Who said each: "examiner", "patient", None."""
    return [None if (by := turns.takes(heard).by) is None else by.value for heard in utterances]


def put_anew(turns: Turns) -> Turns:
    turns.put(anew=True)
    return turns


# --- one microphone: the ways examiners ask (common practice, no source)


@pytest.mark.parametrize(
    "question",
    [
        [WHOLE],
        [said("one or two", M.QUESTION)],
        [ONE, said("or two", M.QUESTION)],
        [ONE, TWO],
        [said("number one", M.FIRST), said("number two", M.SECOND)],
        [said("better one", M.QUESTION), said("or better two", M.QUESTION)],
        [said("this is one", M.QUESTION), TWO],
        [said("which is better", M.QUESTION), ONE, said("or two", M.QUESTION)],
        [ONE, ONE, said("and now two", M.QUESTION)],
        [said("this or that", M.QUESTION)],
        [said("better or worse", M.QUESTION)],
        [said("Which is better, 1 or 2?", None, Outcome.NOT_UNDERSTOOD)],
        [said("better one or two", M.QUESTION, Outcome.DOUBTFUL)],
    ],
)
@pytest.mark.parametrize("answer", [ONE, TWO])
def test_a_bare_name_is_the_answer_once_the_question_is_whole(question: list[Heard], answer: Heard) -> None:
    turns = put_anew(Turns())
    assert through(turns, *question, answer) == ["examiner"] * len(question) + ["patient"]


@pytest.mark.parametrize(
    "before",
    [
        [],
        [said("which is better", M.QUESTION)],
        [said("keep looking straight ahead", None, Outcome.NOT_UNDERSTOOD)],
        [said("better one", M.QUESTION)],
        [TWO],  # an echo of the answer just given
        [said("about the", None, Outcome.NOT_UNDERSTOOD), ONE],
    ],
)
def test_a_bare_one_before_that_shows_a_lens(before: list[Heard]) -> None:
    turns = put_anew(Turns())
    assert through(turns, *before, ONE)[-1] == "examiner"


@pytest.mark.parametrize(
    "answer",
    [
        said("two is better", M.SECOND),
        said("um one i think", M.FIRST),
        said("the second one is clearer", M.SECOND),
        said("about the same", M.SAME),
        said("i can't tell", M.UNSURE),
    ],
)
def test_an_answer_no_examiner_would_give_needs_no_question(answer: Heard) -> None:
    assert through(put_anew(Turns()), answer) == ["patient"]


def test_an_echo_of_the_last_answer_does_not_make_the_next_question_whole() -> None:
    turns = put_anew(Turns())
    assert through(turns, WHOLE, TWO) == ["examiner", "patient"]
    turns.put(anew=True)
    assert through(turns, TWO, ONE, TWO, ONE) == ["examiner", "examiner", "examiner", "patient"]


def test_showing_the_lenses_once_more_begins_the_question_again() -> None:
    turns = put_anew(Turns())
    assert through(turns, WHOLE, said("this is one", M.QUESTION), TWO, ONE) == [*["examiner"] * 3, "patient"]


def test_where_the_assistant_asks_every_name_is_an_answer() -> None:
    turns = put_anew(Turns(by_assistant=True))
    assert through(turns, ONE) == ["patient"]
    turns.put(anew=False)
    assert not turns.is_ambiguous(ONE) and through(turns, TWO) == ["patient"]


def test_asked_again_by_the_assistant_a_bare_name_may_be_either() -> None:
    turns = put_anew(Turns())
    turns.takes(WHOLE)
    assert not turns.is_ambiguous(ONE)
    turns.put(anew=False)
    assert turns.asked is Asked.WHOLE
    assert turns.is_ambiguous(ONE) and not turns.is_ambiguous(said("one is better", M.FIRST))
    assert turns.shown_again(ONE).by is Speaker.EXAMINER
    assert not turns.is_ambiguous(TWO)
    assert through(turns, TWO, ONE) == ["examiner", "patient"]


def test_a_name_not_made_out_well_shows_nothing_and_is_not_asked_about() -> None:
    turns = put_anew(Turns())
    heard = turns.takes(said("one", M.FIRST, Outcome.DOUBTFUL))
    assert (heard.by, heard.outcome) == (Speaker.EXAMINER, Outcome.NOT_UNDERSTOOD)
    assert turns.asked is Asked.NOT_YET
    turns.takes(ONE)
    turns.takes(said("two", M.SECOND, Outcome.DOUBTFUL))
    assert turns.asked is Asked.FIRST_SHOWN


def test_a_doubtful_answer_to_a_whole_question_stays_doubtful() -> None:
    turns = put_anew(Turns())
    turns.takes(WHOLE)
    heard = turns.takes(said("two", M.SECOND, Outcome.DOUBTFUL))
    assert heard.outcome is Outcome.DOUBTFUL


def test_only_the_names_themselves_are_bare() -> None:
    for text in ("one", "number one", "the first", "the first one", "lens one", "option one", "one one", "One."):
        assert is_bare_name(said(text, M.FIRST))
    for text in ("one is better", "um one", "one please", "i like one", "one's better", "definitely one"):
        assert not is_bare_name(said(text, M.FIRST))
    assert not is_bare_name(said("the same", M.SAME))


def test_a_doubtful_question_counts_as_one_when_it_is_too_long_for_an_answer() -> None:
    assert is_question(said("can you read any letters", M.QUESTION, Outcome.DOUBTFUL))
    assert not is_question(said("or two", M.QUESTION, Outcome.DOUBTFUL))
    assert is_question(said("or two", M.QUESTION))


utterances = st.sampled_from(
    [
        ONE,
        TWO,
        said("number two", M.SECOND),
        said("one", M.FIRST, Outcome.DOUBTFUL),
        said("which is better", M.QUESTION),
        said("the", None, Outcome.NOT_UNDERSTOOD),
        said("undo", M.UNDO),
    ]
)


@given(st.lists(utterances, max_size=12))
def test_no_bare_name_is_an_answer_unless_one_then_two_were_shown_before(heard: list[Heard]) -> None:
    turns = put_anew(Turns())
    shown: list[Meaning | None] = []
    for one in heard:
        taken = turns.takes(one)
        assert (taken.text, taken.meaning) == (one.text, one.meaning)
        if taken.by is Speaker.PATIENT:
            assert shown.index(M.FIRST) < len(shown) - 1 - shown[::-1].index(M.SECOND)
        if one.accepted and one.meaning in CHOICE_ANSWERS:
            shown.append(one.meaning)


# --- two microphones


def voice(seconds: float, level: float, seed: int) -> Samples:
    """Noise shaped like syllables: what a level meter sees of speech."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(seconds * RATE)) / RATE
    return (level * rng.standard_normal(len(time)) * (0.55 + 0.45 * np.sin(2 * np.pi * 4 * time))).astype(np.float32)


NOISE = 0.001  # root mean square of the room's


def level(sound: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(sound, dtype=np.float64))))


def room(crosstalk: float, *turns: tuple[str, float, float], noise: float = NOISE) -> tuple[Samples, list[slice]]:
    """Two channels: each turn is (who, pause before, seconds), weaker in the other's channel by `crosstalk` dB."""
    end = sum(pause + seconds for _, pause, seconds in turns) + 1.0
    sound = noise * np.random.default_rng(99).standard_normal((int(end * RATE), 2))
    where, at = [], 0
    for number, (who, pause, seconds) in enumerate(turns):
        at += int(pause * RATE)
        spoken = voice(seconds, 0.1, number)
        own = 0 if who == "examiner" else 1
        sound[at : at + len(spoken), own] += spoken
        sound[at : at + len(spoken), 1 - own] += spoken * 10 ** (crosstalk / 20)
        where.append(slice(at, at + len(spoken)))
        at += len(spoken)
    return sound.astype(np.float32), where


def without_echo(sound: Samples, ahead: int = 0) -> tuple[Samples, CrossTalk]:
    crosstalk = CrossTalk(ahead)
    frames = []
    for begin in range(0, len(sound) // FRAME * FRAME, FRAME):
        frames += crosstalk.frame(sound[begin : begin + FRAME])
    frames += crosstalk.rest()
    return np.concatenate(frames), crosstalk


@pytest.mark.parametrize("crosstalk", [-6.0, -10.0, -15.0])
@pytest.mark.parametrize("ahead", [0, 2])
def test_a_voice_is_kept_in_its_own_channel_and_taken_out_of_the_other(crosstalk: float, ahead: int) -> None:
    sound, where = room(crosstalk, ("examiner", 1.0, 1.0), ("patient", 0.4, 0.6), ("examiner", 0.8, 0.5))
    out, found = without_echo(sound, ahead)
    assert len(out) == len(sound) // FRAME * FRAME
    for (begin, end), own in zip(((turn.start, turn.stop) for turn in where), (0, 1, 0), strict=True):
        kept = out[begin:end, own] == sound[begin:end, own]
        assert kept.mean() > 0.98
        assert level(out[begin + FRAME : end - FRAME, 1 - own]) < 2 * NOISE  # the room's noise stands there
        assert found.whose(begin, end) is (Speaker.EXAMINER, Speaker.PATIENT)[own]


def test_an_echo_that_comes_before_its_voice_is_taken_out_where_the_devices_differ_in_time() -> None:
    sound, (turn,) = room(-10.0, ("examiner", 1.0, 1.0))
    late = round(0.05 * RATE)
    shifted = np.stack([np.concatenate([np.zeros(late, np.float32), sound[:-late, 0]]), sound[:, 1]], axis=1)
    out, _ = without_echo(shifted, ahead=2)
    assert level(out[turn.start : turn.stop, 1]) < 2 * NOISE


def test_both_at_once_are_kept_and_nobodys() -> None:
    sound, where = room(-10.0, ("examiner", 1.0, 1.0), ("patient", 0.5, 1.0))
    first, second = where
    both = sound[first].copy()
    both += sound[second]
    sound[first] = both
    out, found = without_echo(sound)
    assert (out[first] == sound[first]).mean() > 0.7
    assert found.whose(first.start, first.stop) is None


def test_equally_loud_in_both_is_nobodys_and_kept_in_both() -> None:
    sound, (turn,) = room(0.0, ("examiner", 1.0, 1.0))
    out, found = without_echo(sound)
    assert found.whose(turn.start, turn.stop) is None
    assert np.array_equal(out[turn], sound[turn])


def test_a_room_without_voices_stays_as_it_is_long_after_one() -> None:
    sound, (turn,) = room(-10.0, ("examiner", 1.0, 1.0))
    sound = np.concatenate([sound, room(-10.0)[0], room(-10.0)[0]])
    out, _ = without_echo(sound)
    rest = slice(turn.stop + RATE // 2, len(out))
    assert np.array_equal(out[rest], sound[rest])


def test_noise_in_one_microphone_is_nobodys_voice_and_hides_none_in_the_other() -> None:
    noise = 0.01 * np.random.default_rng(5).standard_normal((3 * RATE, 2)) * [1.0, 0.2]
    sound = noise.astype(np.float32)
    sound[RATE : RATE + RATE // 2, 1] += voice(0.5, 0.1, 1)
    out, found = without_echo(sound)
    assert found.whose(RATE, RATE + RATE // 2) is Speaker.PATIENT
    turn = slice(RATE, RATE + RATE // 2)
    assert (out[turn, 1] == sound[turn, 1]).mean() > 0.95


def test_channels_that_are_two_microphones_are_told_from_one_sound_twice() -> None:
    sound, _ = room(-10.0, ("examiner", 1.0, 1.0), ("patient", 0.4, 0.6))
    assert hears_two(sound)
    assert not hears_two(np.repeat(sound[:, :1], 2, axis=1))
    assert not hears_two(sound[:, :1])
    assert not hears_two(np.stack([sound[:, 0], 0.3 * sound[:, 0]], axis=1))  # the same, one of them quieter
    assert not hears_two(np.zeros((RATE, 2), np.float32))
    assert not hears_two(np.zeros((0, 2), np.float32))
