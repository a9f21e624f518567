"""Sound into the exam: who said it, what is held back, and the same events in pieces of any size.

Most of it with a recogniser that reads what was laid under the sound, so that every case can be foretold; the whole
conversations at the end are heard by the real one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest

from assistant import listening
from assistant.grammar import Grammar, Grammars
from assistant.hearing.cutter import FRAME
from assistant.hearing.hesitation import Hesitation
from assistant.hearing.microphone import Block, Change
from assistant.hearing.recogniser import RATE, Samples
from assistant.listening import HELD, SHOWN_AFTER, SILENCE_AFTER, UNASKED_AFTER, Ear, listen_live
from assistant.protocol.meanings import Heard, Outcome, Speaker
from assistant.protocol.questions import Choice
from assistant.record.events import Event
from assistant.session import Session

from .sounds import silence

TO_THE_FIRST_PAIR = ("age thirty", "p d sixty two", "twenty forty", "twenty forty")


class Scripted:
    """Hears what was written into the sound: its loudest sample, in thousandths, is a line's number."""

    name, model = "scripted", "none"

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.calls = 0
        self.grammars: list[str] = []

    def says(self, line: str, seconds: float = 0.5) -> Samples:
        self.lines.append(line)
        return np.full(int(seconds * RATE), 0.2 + len(self.lines) / 1000, np.float32)

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        self.calls += 1
        self.grammars.append(grammar.name)
        line = self.lines[round((float(audio.max()) - 0.2) * 1000) - 1]
        doubtful = line.endswith("??")
        parsed = grammar.parse(line.removesuffix("??"))
        if parsed is None:
            return Heard(line, Outcome.NOT_UNDERSTOOD)
        outcome = Outcome.DOUBTFUL if doubtful else parsed.outcome
        return Heard(parsed.text, outcome, parsed.meaning, parsed.value, score=-0.5, hedged=parsed.hedged)


class Said(NamedTuple):
    text: str
    by: str | None
    outcome: str
    used: bool


@pytest.fixture(autouse=True)
def by_level(monkeypatch: pytest.MonkeyPatch) -> None:
    """Speech is what is loud: no detector has to be loaded, and every frame can be foretold."""

    monkeypatch.setattr(listening, "SparingDetector", lambda: lambda frame: float(np.abs(frame).max() > 0.1))


class Sitting:
    """An exam at its first pair of lenses, and someone who speaks into it."""

    def __init__(self, grammars: Grammars, asks: str = "examiner", two: bool = False) -> None:
        self.events: list[Event] = []
        self.said_aloud: list[str] = []
        self.recogniser = Scripted()
        self.session = Session(grammars, watch=(self.events.append,), speak=self.said_aloud.append, asks=asks)
        self.session.begin()
        for line in TO_THE_FIRST_PAIR:
            if not isinstance(self.session.question, Choice):
                self.session.take(self.session.typed(line))
        while not isinstance(self.session.question, Choice):
            self.session.take(self.session.typed("yes"))
        self.before = len(self.events)
        self.two = two
        self.ear = Ear(self.session, self.recogniser, two=two)
        self.quiet(0.5)

    def quiet(self, seconds: float) -> None:
        self.push(silence(seconds))

    def push(self, samples: Samples, **how: bool) -> None:
        if self.two and samples.ndim == 1:
            samples = np.stack([samples, samples], axis=1)
        self.ear.push(samples, **how)

    def say(self, line: str, pause: float = 1.0, by: str | None = None, seconds: float = 0.5) -> None:
        """Said, then quiet for `pause` seconds. With two microphones `by` is whose it is, "" for equally loud."""
        sound = self.recogniser.says(line, seconds)
        if self.two:
            own, other = {"examiner": (0, 1), "patient": (1, 0)}.get(by or "", (0, 1))
            both = np.zeros((len(sound), 2), np.float32)
            both[:, own] = sound
            both[:, other] = sound if by == "" else sound * np.float32(10 ** (-10 / 20))
            sound = both
        self.push(sound)
        self.quiet(pause)

    def told(self) -> list[Event]:
        return self.events[self.before :]

    @property
    def heard(self) -> list[Said]:
        return [Said(e["text"], e["by"], e["outcome"], e["used"]) for e in self.told() if e["kind"] == "heard"]

    def moved(self) -> bool:
        """An answer was taken: another pair, or another question, stands."""
        return any(e["kind"] == "question" and e["attempt"] == 0 for e in self.told())


@pytest.fixture
def sitting(grammars: Grammars) -> Sitting:
    return Sitting(grammars)


# --- one microphone


def test_a_whole_question_and_an_answer(sitting: Sitting) -> None:
    sitting.say("which is better one or two", pause=1.3)
    sitting.say("two")
    assert sitting.heard == [
        Said("which is better one or two", "examiner", "heard", True),
        Said("two", "patient", "heard", True),
    ]
    answer = [e for e in sitting.told() if e["kind"] == "heard"][-1]
    assert answer["after"] == pytest.approx(1.3, abs=2 * FRAME / RATE)  # both ends fall on whole frames
    assert sitting.moved()


def test_lenses_shown_one_by_one_are_no_answers(sitting: Sitting) -> None:
    sitting.say("one", pause=2.5)
    sitting.say("two", pause=1.5)
    assert [(one.text, one.by, one.used) for one in sitting.heard] == [
        ("one", "examiner", False),
        ("two", "examiner", False),
    ]
    assert not sitting.moved()
    sitting.say("one")
    assert sitting.heard[-1] == Said("one", "patient", "heard", True) and sitting.moved()


def test_one_or_two_in_one_breath_with_a_dial_between_is_one_question(sitting: Sitting) -> None:
    sound = sitting.recogniser.says("one", 0.3)
    sitting.push(sound)
    sitting.quiet(0.5)  # "one" is complete as it stands, and would end here were it an answer
    sitting.say("one or two", pause=1.0, seconds=0.4)  # louder: what the whole is heard as
    assert [one.text for one in sitting.heard] == ["one or two"]


def test_a_lens_shown_and_nothing_more_is_asked_about(sitting: Sitting) -> None:
    sitting.say("one", pause=SHOWN_AFTER + 1.5)
    assert [one.outcome for one in sitting.heard] == ["heard", "silence"]
    assert sitting.said_aloud[-1].startswith("I did not catch that") and not sitting.moved()


def test_a_silent_patient_is_asked_again_but_a_busy_examiner_is_left_alone(sitting: Sitting) -> None:
    sitting.quiet(SILENCE_AFTER + 5)
    assert sitting.heard == []
    sitting.say("one or two", pause=SILENCE_AFTER + 1.5)
    assert [one.outcome for one in sitting.heard] == ["heard", "silence"]
    assert UNASKED_AFTER > SILENCE_AFTER


def test_a_question_nobody_asks_is_put_again_in_the_end(sitting: Sitting) -> None:
    sitting.quiet(UNASKED_AFTER)
    assert [one.outcome for one in sitting.heard] == ["silence"]


def test_a_misheard_question_does_not_interrupt(sitting: Sitting) -> None:
    spoken = len(sitting.said_aloud)
    sitting.say("so is it better 1 or better 2 now")
    sitting.say("which is better one or two??", pause=1.2)
    assert [one.by for one in sitting.heard] == ["examiner", "examiner"]
    assert len(sitting.said_aloud) == spoken
    sitting.say("one")
    assert sitting.moved()


def test_asked_again_an_answer_counts_when_nothing_follows_it(sitting: Sitting) -> None:
    sitting.say("one or two")
    sitting.say("two??")
    assert sitting.said_aloud[-1].startswith("I did not catch that")
    sitting.say("two", pause=HELD - 0.2)
    assert not sitting.moved()
    sitting.quiet(1.0)
    assert sitting.heard[-1] == Said("two", "patient", "heard", True) and sitting.moved()


@pytest.mark.parametrize("second", ["two", "or two", "or better two"])
def test_asked_again_lenses_may_be_shown_again(sitting: Sitting, second: str) -> None:
    sitting.say("one or two")
    sitting.say("two??")
    sitting.say("one", pause=2.0)
    sitting.say(second, pause=1.5)
    assert [(one.by, one.used) for one in sitting.heard[2:]] == [("examiner", False), ("examiner", second != "two")]
    assert not sitting.moved()
    sitting.say("two", pause=0.9)
    assert sitting.heard[-1] == Said("two", "patient", "heard", True) and sitting.moved()


def test_an_answer_held_back_is_not_lost_when_a_command_or_the_end_follows(grammars: Grammars) -> None:
    for follows in ("read back", None):
        sitting = Sitting(grammars)
        sitting.say("one or two")
        sitting.say("two??")
        sitting.say("two", pause=0.9)
        if follows is None:
            sitting.ear.finish()
        else:
            sitting.say(follows)
        assert Said("two", "patient", "heard", True) in sitting.heard and sitting.moved()


def test_said_otherwise_while_held_back_the_last_word_counts(sitting: Sitting) -> None:
    sitting.say("one or two")
    sitting.say("two??")
    sitting.say("one", pause=1.0)
    sitting.say("they look the same", pause=1.0)
    assert [one for one in sitting.heard if one.used][-1].text == "they look the same"
    assert Said("one", "examiner", "heard", False) in sitting.heard


def test_where_the_assistant_asks_a_bare_name_is_an_answer_at_once(grammars: Grammars) -> None:
    sitting = Sitting(grammars, asks="assistant")
    sitting.say("one")
    assert sitting.heard == [Said("one", "patient", "heard", True)] and sitting.moved()


def test_how_long_an_answer_took_is_not_told_where_the_question_was_not_heard(sitting: Sitting) -> None:
    sitting.say("one or two")
    sitting.say("keep looking straight ahead and tell me", pause=4.0)
    sitting.say("two is better")
    answer = [e for e in sitting.told() if e["kind"] == "heard"][-1]
    assert answer["after"] is None and answer["hedged"] is False


def test_a_slow_answer_is_marked_with_its_reason(sitting: Sitting) -> None:
    sitting.say("one or two", pause=4.0)
    sitting.say("two")
    answer = [e for e in sitting.told() if e["kind"] == "heard"][-1]
    assert answer["hedged"] is True and answer["hedged_by"] == ["wait"]


@pytest.mark.parametrize(("pause", "reasons"), [(1.0, None), (2.7, ["rising voice"])])
def test_a_rising_voice_counts_after_a_wait(
    sitting: Sitting, monkeypatch: pytest.MonkeyPatch, pause: float, reasons: list[str] | None
) -> None:
    monkeypatch.setattr(listening, "hesitation", lambda *_: Hesitation(("rising voice",)))
    sitting.say("one or two", pause=pause)
    sitting.say("two")
    answer = [e for e in sitting.told() if e["kind"] == "heard"][-1]
    assert answer.get("hedged_by") == reasons and answer["hedged"] is bool(reasons)


# --- sound that is missing


@pytest.mark.parametrize("where", ["before", "within", "after"])
def test_an_utterance_that_touches_lost_sound_is_asked_for_again(sitting: Sitting, where: str) -> None:
    sitting.say("one or two", pause=1.2)
    sound = sitting.recogniser.says("two")
    if where == "within":
        sitting.push(sound[: 10 * FRAME])
        sitting.push(sound[10 * FRAME :], lost=True)
    else:
        sitting.push(sound, lost=where == "before")
        if where == "after":
            sitting.push(silence(0.02), lost=True)
    sitting.quiet(1.0)
    assert sitting.heard[-1] == Said("two", None, "doubtful", False) and not sitting.moved()


def test_sound_lost_long_before_does_no_harm(sitting: Sitting) -> None:
    sitting.say("one or two", pause=1.0)
    sitting.push(silence(0.1), lost=True)
    sitting.quiet(0.5)
    sitting.say("two")
    assert sitting.moved()


def test_what_the_assistant_says_itself_is_not_heard(sitting: Sitting) -> None:
    sitting.say("one or two", pause=1.0)
    sitting.push(sitting.recogniser.says("two"), muted=True)
    sitting.quiet(1.0)
    assert [one.text for one in sitting.heard] == ["one or two"]


def test_an_answer_begun_while_the_assistant_spoke_is_asked_for_again(sitting: Sitting) -> None:
    sitting.say("one or two", pause=1.0)
    sound = sitting.recogniser.says("two is better", 0.8)
    sitting.push(sound[: 10 * FRAME], muted=True)
    sitting.push(sound[10 * FRAME :])
    sitting.quiet(1.0)
    assert sitting.heard[-1].outcome == "doubtful" and not sitting.moved()


# --- two microphones


@pytest.fixture
def two(grammars: Grammars) -> Sitting:
    return Sitting(grammars, two=True)


def test_lenses_named_by_the_examiner_are_never_answers(two: Sitting) -> None:
    for line in ("one", "two", "one", "number two", "two is better"):
        two.say(line, by="examiner")
    assert {(one.by, one.used) for one in two.heard} == {("examiner", False)}
    assert len(two.heard) == 5 and not two.moved()
    two.say("two", by="patient")
    assert two.heard[-1] == Said("two", "patient", "heard", True) and two.moved()


def test_the_patients_microphone_answers_and_commands_nothing(two: Sitting) -> None:
    two.say("undo", by="patient")
    two.say("finish the exam", by="patient")
    assert [(one.by, one.outcome) for one in two.heard] == [("patient", "not_understood")] * 2
    two.say("read back", by="examiner")
    assert two.heard[-1] == Said("read back", "examiner", "heard", True)


def test_each_voice_is_heard_once(two: Sitting) -> None:
    two.say("one or two", by="examiner")
    calls = two.recogniser.calls
    two.say("two", by="patient")
    assert two.recogniser.calls == calls + 1
    assert [one.by for one in two.heard] == ["examiner", "patient"]


def test_a_quick_answer_is_not_lost_in_the_question(two: Sitting) -> None:
    two.say("one or two", pause=0.1, by="examiner")
    two.say("two", by="patient")
    assert ("two", "patient") in [(one.text, one.by) for one in two.heard] and two.moved()


def test_equally_loud_in_both_is_heard_once_and_never_acted_on(two: Sitting) -> None:
    two.say("two", by="")
    assert two.heard == [Said("two", None, "doubtful", False)] and not two.moved()


def test_a_lens_mumbled_by_the_examiner_does_not_interrupt(two: Sitting) -> None:
    spoken = len(two.said_aloud)
    two.say("one??", by="examiner")
    assert two.heard == [Said("one", "examiner", "not_understood", False)] and len(two.said_aloud) == spoken


def test_the_number_of_channels_is_checked(two: Sitting) -> None:
    with pytest.raises(ValueError, match="1 channels; 2 are listened to"):
        two.ear.push(silence(0.1))


# --- any chunking


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("chunk", [160, 592, 16_000, 7_777])
def test_the_same_events_in_any_chunks(grammars: Grammars, channels: int, chunk: int) -> None:
    def events(size: int | None) -> list[Event]:
        sitting = Sitting(grammars, two=channels == 2)
        script = Scripted()
        pieces = [silence(0.41)]
        for line, pause in [
            ("one", 1.1), ("two", 1.31), ("two??", 0.9), ("two", 3.7), ("one or two", 1.2), ("one", 9.0),
            ("undo", 0.8), ("which is better", 16.0), ("one", 0.5), ("or two", 1.0), ("the same", 0.0),
        ]:  # fmt: skip
            pieces += [script.says(line), silence(pause)]
        sound = np.concatenate(pieces)
        if channels == 2:
            sound = np.stack([sound, 0.3 * sound], axis=1)
        sitting.recogniser.lines = script.lines
        for begin in range(0, len(sound), size or len(sound)):
            sitting.ear.push(sound[begin : begin + (size or len(sound))])
        sitting.ear.finish()
        return sitting.told()

    whole = events(None)
    assert len(whole) > 10
    assert events(chunk) == whole


# --- live


class Stream:
    """A microphone that gives what it is told to, in order."""

    def __init__(self, *came: Block | Change | None) -> None:
        self.came = list(came)

    def poll(self) -> Block | Change | None:
        return self.came.pop(0) if self.came else None

    def wait(self, seconds: float) -> None:
        if not self.came:
            raise KeyboardInterrupt


class Mouth:
    def __init__(self, spoke: tuple[float, float]) -> None:
        self.spoke = spoke
        self.interrupted = 0

    def touches(self, begin: float, end: float) -> bool:
        return begin < self.spoke[1] and end > self.spoke[0]

    def step_aside(self, look: Callable[[], None]) -> None:
        look()

    def interrupt(self) -> None:
        self.interrupted += 1


def blocks(sound: Samples, begin: float, broken: bool = False) -> list[Block]:
    return [
        Block(sound[at : at + 320, None], begin + at / RATE, broken and at == 0) for at in range(0, len(sound), 320)
    ]


def live(sitting: Sitting, *came: Block | Change | None, mouth: Mouth | None = None, typed: Any = None) -> None:
    with pytest.raises(KeyboardInterrupt):
        listen_live(sitting.session, Stream(*came), sitting.ear, mouth, typed or (lambda: None))


def test_a_lost_microphone_is_said_and_logged_and_the_exam_waits_for_it(sitting: Sitting) -> None:
    half = blocks(sitting.recogniser.says("two is better"), 5.0)[:10]
    again = blocks(np.concatenate([sitting.recogniser.says("two is better"), silence(1.0)]), 90.0)
    live(sitting, *half, Change.LOST, *[None] * 3, Change.BACK, *again)
    kinds = [(e["kind"], e.get("code")) for e in sitting.told()]
    assert kinds[0] == ("flag", "microphone_lost")
    assert ("flag", "microphone_back") in kinds
    back = kinds.index(("flag", "microphone_back"))
    assert ("question", None) in kinds[back:]  # put again, for nobody knows what was said meanwhile
    assert [one.outcome for one in sitting.heard] == ["heard"]
    assert any("cannot hear the microphone" in said for said in sitting.said_aloud)
    assert any("microphone is back" in said for said in sitting.said_aloud)


def test_frames_in_which_the_assistant_spoke_are_left_out(sitting: Sitting) -> None:
    own = blocks(sitting.recogniser.says("two is better"), 10.0)
    answer = blocks(np.concatenate([silence(0.5), sitting.recogniser.says("one is better"), silence(1.0)]), 10.5)
    live(sitting, *own, *answer, mouth=Mouth((9.9, 10.6)))
    assert [one.text for one in sitting.heard] == ["one is better"]


def test_an_overflow_is_told_once_and_its_utterance_refused(sitting: Sitting) -> None:
    sound = np.concatenate([sitting.recogniser.says("two is better"), silence(1.0)])
    live(sitting, *blocks(sound, 10.0, broken=True), *blocks(sound, 20.0, broken=True))
    assert [e["code"] for e in sitting.told() if e["kind"] == "flag"] == ["sound_lost"]
    assert [one.outcome for one in sitting.heard] == ["doubtful", "doubtful"]


def test_typed_lines_are_taken_and_an_empty_one_silences_the_assistant(sitting: Sitting) -> None:
    lines = ["", "two"]
    mouth = Mouth((0.0, 0.0))
    live(sitting, None, mouth=mouth, typed=lambda: lines.pop(0) if lines else None)
    assert mouth.interrupted == 2
    assert [(one.text, one.by) for one in sitting.heard] == [("two", Speaker.PATIENT.value)] and sitting.moved()
