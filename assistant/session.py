"""One exam in progress: the machine, the log, the voice and whoever watches, tied together.

Every utterance comes in through `take`; every effect goes, in this order, to the log (it is on the disk before anything
else happens), to the watchers, and to the voice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from .evidence.known import interval
from .evidence.together import weigh
from .grammar import Grammar, Grammars, wording
from .grammar.grammar import EVERYWHERE, listening_for
from .protocol.effects import Ask, Effect, Flag, Prescribe, Recorded, Say
from .protocol.exam import Exam
from .protocol.meanings import Heard, Outcome, Speaker
from .protocol.questions import Eye, Question
from .protocol.start import Start
from .record.events import Event, Recording, Words, event, plain
from .record.folder import ExamFolder
from .record.log import WRITERS
from .stopping import taken_whole

Watcher = Callable[[Event], None]
Speak = Callable[[str], None]


class Session:
    """Runs one exam.

    folder     where the log goes; None keeps nothing (simulations)
    watch      told of every event, complete with `seq` and `at`
    speak      says a prompt; called after the event is logged
    asks       who puts the questions to the patient: "examiner" (the assistant prompts the examiner only) or
               "assistant"

    `last_ask` is the question as it was last put, `times_asked` counts how often one was.
    """

    def __init__(
        self,
        grammars: Grammars,
        start: Start | None = None,
        folder: ExamFolder | None = None,
        watch: tuple[Watcher, ...] = (),
        speak: Speak | None = None,
        asks: str = "examiner",
    ) -> None:
        self.exam = Exam(start or Start(), weigh)
        self._grammars = grammars
        self._folder = folder
        self._watch = watch
        self._speak = speak
        self.asks = asks
        self.last_ask: Ask | None = None
        self.times_asked = 0
        self._seq = 0
        self._broken = False  # an event could not be logged

    # ------------------------------------------------------------------------------------------------ running
    def begin(self) -> None:
        with taken_whole():
            self._carry_out(self.exam.begin())

    def take(self, heard: Heard, recording: Recording | None = None, hedged_by: tuple[str, ...] = ()) -> None:
        """One utterance, or silence. `hedged_by`: why it counts as hedged, for the log."""
        with taken_whole():
            self._carry_out(self.exam.hear(heard), recording, hedged_by)

    def caution(self, code: str, says: str) -> None:
        """Log, show and say what the exam itself does not know of, such as a lost microphone."""
        with taken_whole():
            self._log({"kind": "flag", "code": code, "eye": Eye.BOTH.value, "says": says, "facts": {}})
            self._say(says)

    def catch_up(self, heard: Iterable[Heard], logged: Sequence[Event]) -> None:
        """Bring the exam to where earlier utterances left it; they are in the log already, so nothing is said.

        `logged` are the events after the last of them. Where the exam was cut off among what followed from that one (a
        caution, a lens, the next question), the rest of it is logged now: it would never come again.
        """
        effects = self.exam.begin()
        for utterance in heard:
            effects = self.exam.hear(utterance)
        followed = [made for made, _ in self._events(one for one in effects if not isinstance(one, Recorded))]
        known = [{key: value for key, value in held.items() if key not in WRITERS} for held in logged]
        if known == plain(followed[: len(known)]):
            with taken_whole():
                for made in followed[len(known) :]:
                    self._log(made)

    def ask_again(self) -> None:
        """Put the question that stands once more; nothing where the exam is over."""
        with taken_whole():
            self._carry_out(self.exam.again())

    def close(self) -> None:
        """The input has ended. Where the log could not be written, it is not gone on with: it would have a gap."""
        if self._broken:
            return
        with taken_whole():
            self._carry_out(self.exam.close())

    @property
    def over(self) -> bool:
        return self.exam.over

    @property
    def question(self) -> Question | None:
        return self.exam.question

    def grammar(self, by: Speaker | None = None) -> Grammar:
        """What is listened for now; from the patient's own microphone, answers alone."""
        exam = self.exam
        names = listening_for(exam.question, exam.state.paused, plus_cylinder=exam.instrument.plus)
        if by is Speaker.PATIENT:
            answers = names[0] != EVERYWHERE[0]
            names = names[:1] if answers else names[-1:]
        return self._grammars.union(*names)

    def typed(self, text: str, by: Speaker | None = None, after: float | None = None) -> Heard:
        """A typed line as the exam hears it: words to meaning by the live grammar."""
        text = text.strip()
        if not text:
            return Heard("", Outcome.SILENCE, by=by, after=after, typed=True)
        parsed = self.grammar().parse(text)
        if parsed is None:
            return Heard(text, Outcome.NOT_UNDERSTOOD, by=by, after=after, typed=True)
        return Heard(
            text,
            parsed.outcome,
            parsed.meaning,
            parsed.value,
            by=by or parsed.speaker_hint,
            after=after,
            hedged=parsed.hedged,
            typed=True,
        )

    # ------------------------------------------------------------------------------------------------ effects
    def _carry_out(
        self, effects: tuple[Effect, ...], recording: Recording | None = None, hedged_by: tuple[str, ...] = ()
    ) -> None:
        for made, words in self._events(effects, recording, hedged_by):
            self._log(made)
            self._say(words)

    def _events(
        self, effects: Iterable[Effect], recording: Recording | None = None, hedged_by: tuple[str, ...] = ()
    ) -> Iterator[tuple[Event, str]]:
        """What is logged of effects, in order, each with what is said then, or ""."""
        for effect in effects:
            if isinstance(effect, Ask):
                yield from self._asked(effect)
                continue
            words = wording.words(effect, self.exam.instrument)
            if isinstance(effect, Prescribe):
                effect = self._with_intervals(effect)
            made = event(effect, Words(words), recording if isinstance(effect, Recorded) else None)
            if hedged_by and isinstance(effect, Recorded):
                made["hedged_by"] = list(hedged_by)
            yield made, words if isinstance(effect, Say) else wording.aloud(effect) if isinstance(effect, Flag) else ""

    def _with_intervals(self, draft: Prescribe) -> Prescribe:
        """The draft with what the answers leave open of each eye."""
        state, start = self.exam.state, self.exam.start
        right, left = (
            replace(result, interval=interval(state.of(eye), start.eye(eye).lens))
            for eye, result in ((Eye.RIGHT, draft.right), (Eye.LEFT, draft.left))
        )
        return replace(draft, right=right, left=left)

    def _asked(self, ask: Ask) -> Iterator[tuple[Event, str]]:
        self.last_ask = ask
        self.times_asked += 1
        words = wording.question(ask, self.exam.instrument)
        yield {"kind": "prompt", "to": Speaker.EXAMINER.value, "say": words, "key": "ask"}, words
        if self.asks == "assistant" and (for_patient := wording.patient_question(ask)):
            yield {"kind": "prompt", "to": Speaker.PATIENT.value, "say": for_patient, "key": "ask"}, for_patient
        yield event(ask, Words("", wording.expects(ask))), ""

    def _say(self, words: str) -> None:
        if self._speak is not None and words:
            self._speak(words)

    def _log(self, made: Event) -> None:
        if self._folder is not None:
            self._broken = True
            written: dict[str, Any] = self._folder.append(made)
            self._broken = False
        else:
            written = {"seq": self._seq, **made}
            self._seq += 1
        for watcher in self._watch:
            watcher(written)
