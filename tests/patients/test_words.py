"""What virtual patients say is what the grammars hear: same meaning, same value, same hesitation."""

from __future__ import annotations

import pytest
from foreign import ForeignPatient, Rules, event

from assistant.data import folder
from assistant.grammar import Grammars, listening_for
from assistant.optics.acuity import LINES
from assistant.optics.lens import Lens
from assistant.patients.eye import Eye
from assistant.patients.patient import HEDGED, KINDS, OFF_TOPIC, PLAIN, patient, spoken_line
from assistant.protocol.meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Legible, Question, Value
from assistant.protocol.questions import Eye as Side

GRAMMARS = Grammars({path.stem: path.read_text("utf-8") for path in folder("grammars").glob("*.jsgf")})
CHOICE = Choice(Side.RIGHT, "sphere", Lens.of(-1), Lens.of(-1.25))
LEGIBLE = Legible(Side.RIGHT, "over_minus", Lens.of(-1), "20/20")
ACUITY = AcuityQuestion(Side.LEFT, "acuity", Lens.of(0))
QUESTIONS: list[Question] = [
    CHOICE,
    LEGIBLE,
    ACUITY,
    Value(Side.BOTH, "pd", "pd"),
    Value(Side.BOTH, "age", "age"),
    Confirm(Side.BOTH, "read_back", "prescription"),
]


def heard(question: Question, text: str) -> tuple[Meaning, object, bool] | None:
    parsed = GRAMMARS.union(*listening_for(question)).parse(text)
    return None if parsed is None else (parsed.meaning, parsed.value, parsed.hedged)


@pytest.mark.parametrize("hedged", [False, True])
@pytest.mark.parametrize("question", [CHOICE, LEGIBLE])
def test_every_phrase_means_what_the_patient_means(question: Question, hedged: bool) -> None:
    answers = CHOICE_ANSWERS | {Meaning.AGAIN} if question is CHOICE else LEGIBLE_ANSWERS
    for meaning, phrases in (HEDGED if hedged else PLAIN).items():
        if meaning in answers:
            for phrase in phrases:
                assert heard(question, phrase) == (meaning, None, hedged), phrase


@pytest.mark.parametrize("question", QUESTIONS)
def test_what_is_off_topic_is_no_answer(question: Question) -> None:
    for phrase in OFF_TOPIC:
        assert heard(question, phrase) is None


def test_every_line_is_heard() -> None:
    for line in LINES:
        text = f"vision {spoken_line(line.snellen_feet)}"
        assert heard(ACUITY, text) == (Meaning.SET_ACUITY, line.snellen_feet, False)


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_reply_is_heard_as_meant(name: str) -> None:
    person = patient(name, Eye.of(-1, age=20), Eye.of(8), 3)
    for question in QUESTIONS * 20:
        reply = person.reply(question)
        if reply.text:
            understood = heard(question, reply.text)
            assert (understood and understood[0]) == reply.meaning, reply.text
            assert (understood[1] if understood else None) == reply.value, reply.text


@pytest.mark.parametrize("words", ["short", "long", "mixed"])
def test_others_words_are_heard_too(words: str) -> None:
    """Patients written from the line protocol's description alone."""
    person = ForeignPatient(Rules(words=words, hedge=0.3), (-1, 0, 180, 0), (8, 0, 180, 0))
    for question in QUESTIONS * 5:
        answer = person.hear(question)
        understood = heard(question, answer.text)
        assert understood is not None, f"{event(question)['form']}: {answer.text}"
        assert understood[:2] == (answer.meaning, answer.value)
