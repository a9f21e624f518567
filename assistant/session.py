"""One exam in progress: the machine, the log, the voice and whoever watches, tied together.

Every utterance comes in through `take`; every effect goes, in this order, to the log (it is on the disk before anything
else happens), to the watchers, and to the voice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from .evidence.known import interval
from .evidence.together import weigh
from .grammar import Grammar, Grammars, wording
from .grammar.grammar import EVERYWHERE, listening_for
from .protocol.effects import Ask, Effect, Prescribe, Recorded, Say
from .protocol.exam import Exam
from .protocol.meanings import Heard, Outcome, Speaker
from .protocol.questions import Eye, Question
from .protocol.start import Start
from .record.events import Event, Recording, Words, event
from .record.folder import ExamFolder
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

    def catch_up(self, heard: Iterable[Heard]) -> None:
        """Bring the exam to where earlier utterances left it; they are in the log already, so nothing is said."""
        self.exam.begin()
        for utterance in heard:
            self.exam.hear(utterance)

    def ask_again(self) -> None:
        """Put the question that stands once more."""
        self._carry_out(self.exam.again())

    def close(self) -> None:
        """The input has ended."""
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
        for effect in effects:
            if isinstance(effect, Ask):
                self._ask(effect)
                continue
            words = wording.words(effect, self.exam.instrument)
            if isinstance(effect, Prescribe):
                effect = self._with_intervals(effect)
            made = event(effect, Words(words), recording if isinstance(effect, Recorded) else None)
            self._log({**made, "hedged_by": list(hedged_by)} if hedged_by and isinstance(effect, Recorded) else made)
            if isinstance(effect, Say):
                self._say(words)

    def _with_intervals(self, draft: Prescribe) -> Prescribe:
        """The draft with what the answers leave open of each eye."""
        state, start = self.exam.state, self.exam.start
        right, left = (
            replace(result, interval=interval(state.of(eye), start.eye(eye).lens))
            for eye, result in ((Eye.RIGHT, draft.right), (Eye.LEFT, draft.left))
        )
        return replace(draft, right=right, left=left)

    def _ask(self, ask: Ask) -> None:
        self.last_ask = ask
        self.times_asked += 1
        words = wording.question(ask, self.exam.instrument)
        self._log({"kind": "prompt", "to": Speaker.EXAMINER.value, "say": words, "key": "ask"})
        self._say(words)
        if self.asks == "assistant" and (for_patient := wording.patient_question(ask)):
            self._log({"kind": "prompt", "to": Speaker.PATIENT.value, "say": for_patient, "key": "ask"})
            self._say(for_patient)
        self._log(event(ask, Words("", wording.expects(ask))))

    def _say(self, words: str) -> None:
        if self._speak is not None and words:
            self._speak(words)

    def _log(self, made: Event) -> None:
        if self._folder is not None:
            written: dict[str, Any] = self._folder.append(made)
        else:
            written = {"seq": self._seq, **made}
            self._seq += 1
        for watcher in self._watch:
            watcher(written)
