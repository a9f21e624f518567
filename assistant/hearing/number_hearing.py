"""Sentences with a number: the model is told what kind of sentence to expect, then each likely one is weighed.

Left to itself, a small model writes "ceiling that minus 6.25" for "cylinder minus six point two five", and one number
in a dozen ways ("-2.25", "minus 225", "two and a quarter"). Told that sentences of this kind came just before, in
words, it writes them in words, and mostly right. What it then writes is taken apart (a name, a number, what follows)
and put together again with every likely name, since the number is often right where its name is not; a beam over the
words of such sentences finds the rest. All of them are scored alike, each in one form.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from ..grammar.normalise import normalise
from ..protocol.meanings import Outcome
from .decoder import Decoder, Frames, Writing, log_sum, most_tokens
from .forms import homophones
from .number_acceptance import NumberWeighing, has_number, number_words, plain_number, sure_number
from .scorer import Tokens
from .sentences import Sentences, capitals, sounding_alike
from .word_listener import Listened

if TYPE_CHECKING:
    from ..grammar import Grammar, Parsed

# What the model is told was said just before. Of several such texts this one, in which each name and each way of saying
# a number comes once, had the true sentence likeliest most often.
CONTEXT = (
    "Sphere minus two point two five. Cylinder {cylinder} three oh oh. Axis one seventy five. Vision twenty over forty."
    " PD sixty two and a half. Near add plus one fifty."
)
BEGUN = 4  # first words, the likeliest, from which the beam goes on, and with whose names a number is put together
NAMES = 2  # put together for each, the likeliest: "near add", "near p d"
BEAM = 4
REPEATED = 3  # tokens in a row that a beam may write only once: it would circle in them
MOST_SENTENCES = 24  # scored together


class NumberHearing:
    """One grammar's sentences with a number, for one model.

    `possible` is whether there are any.
    """

    def __init__(self, decoder: Decoder, grammar: Grammar) -> None:
        self._decoder = decoder
        self._grammar = grammar
        self._sentences = sentences = Sentences.of(grammar)
        self.possible = bool(sentences.kinds)
        minus = grammar.parse("cylinder minus one") is not None
        self._context = decoder.tokens(" " + CONTEXT.format(cylinder="minus" if minus else "plus"))
        self._names: dict[Tokens, list[str]] = {}  # by their first word
        for name in sentences.names:
            self._names.setdefault(decoder.tokens(" " + capitals(name).split()[0]), []).append(name)
        self._telling = sentences.first.union(name.split()[-1] for name in sentences.names)
        words = {capitals(word) for word in sentences.words} | set(sentences.words)
        self._others = decoder.others({"."} | words, within=False)
        self._numbers = sorted({decoder.tokens(" " + capitals(word))[0] for word in sentences.first})

    def weigh(
        self,
        frames: Frames,
        speech: float,
        active: float,
        likely: Sequence[str] = (),
        listened: Listened | None = None,
    ) -> NumberWeighing:
        """How well each sentence that is likely fits an utterance.

        frames  of all of it: a number's last words may be its quietest
        speech  seconds, pauses included
        active  seconds of it in which sound was made
        likely  sentences that are known to be so: "no cylinder", a number without one
        listened  what the listener for words made of it, if there is one
        """
        free = self._decoder.write(frames, speech, self._context)
        candidates: dict[Tokens, tuple[Parsed, float]] = {}

        def weighing() -> NumberWeighing:
            return _weighing(candidates, free.text, self._reads(free.text), active, listened)

        if not (likely or self.sure(listened) or self._worth_it(self._decoder.text(max(free.endings, key=len)))):
            return weighing()
        self._add(candidates, free.endings)
        written = [] if listened is None else listened.written
        for found in self._searches(frames, free, speech, candidates, [*likely, *written]):
            self._score(frames, found, candidates)
            if plain_number(weighing()):
                break
        return weighing()

    def at_once(self, frames: Frames, active: float, listened: Listened) -> NumberWeighing | None:
        """The sentence that the listener for words is sure of, against what it finds next likely and what sounds alike.

        None where that does not settle it; arguments as `weigh` takes them.
        """
        parsed = self.sure(listened)
        if parsed is None or parsed.outcome is not Outcome.HEARD:
            return None
        candidates: dict[Tokens, tuple[Parsed, float]] = {}
        alike = [other.text for other in sounding_alike(self._grammar, parsed)]
        self._score(frames, [capitals(text) for text in (*listened.written, *alike)], candidates)
        weighing = _weighing(candidates, parsed.text, None, active, listened)
        return weighing if sure_number(weighing) else None

    def sure(self, listened: Listened | None) -> Parsed | None:
        """What the listener for words is sure of, if it is a sentence with a number."""
        return None if listened is None or listened.sure is None else self._reads(listened.sure)

    def _score(self, frames: Frames, texts: Sequence[str], candidates: dict[Tokens, tuple[Parsed, float]]) -> None:
        """Scores what is not among the candidates yet, and adds it and its beginnings."""
        readable = dict.fromkeys(text for text in texts if self._reads(text) is not None)
        leaves = [tokens for text in readable if (tokens := self._decoder.tokens(f" {text}.")) not in candidates]
        self._add(candidates, self._decoder.score(frames, leaves[:MOST_SENTENCES], self._context))

    def _add(self, candidates: dict[Tokens, tuple[Parsed, float]], scored: Mapping[Tokens, float]) -> None:
        for tokens, logp in scored.items():
            if tokens not in candidates and (parsed := self._reads(self._decoder.text(tokens))) is not None:
                candidates[tokens] = parsed, logp

    def _worth_it(self, text: str) -> bool:
        """Whether free writing looks like such a sentence: "the second one" holds a number, too."""
        words = normalise(text).split()
        numbers = number_words(text)
        if not numbers:
            return False
        return words[0] in self._sentences.first or numbers + sum(word in self._telling for word in words) > 1

    def _reads(self, text: str) -> Parsed | None:
        """What a text means: as it stands, else with words that sound alike put right; None without a number."""
        parsed = self._grammar.parse(text) or self._grammar.parse(homophones(text))
        return parsed if parsed is not None and has_number(parsed) else None

    def _searches(
        self,
        frames: Frames,
        free: Writing,
        speech: float,
        candidates: dict[Tokens, tuple[Parsed, float]],
        likely: Sequence[str],
    ) -> Iterator[list[str]]:
        """Sentences that may have been said, one search after another, each made when it is asked for."""
        yield [*map(capitals, likely), *self._alike(free, candidates)]
        yield self._search(frames, free, speech)

    def _alike(self, free: Writing, candidates: dict[Tokens, tuple[Parsed, float]]) -> list[str]:
        """What free writing may be taken for: one token exchanged for one nearly as likely, a teen said for a ten."""
        found: dict[str, None] = {}
        for parsed, _ in candidates.values():
            found.update((capitals(other.text), None) for other in sounding_alike(self._grammar, parsed))
        for step, others in enumerate(free.others):
            for other in others:
                text = self._decoder.text((*free.tokens[:step], other, *free.tokens[step + 1 :]))
                if (exchanged := self._reads(text)) is not None:
                    found[capitals(exchanged.text)] = None
        return list(found)

    def _search(self, frames: Frames, free: Writing, speech: float) -> list[str]:
        """The number that was written freely after each likely name, and what a beam finds that goes on from there."""
        begun = self._begin(free)
        names = [name for tokens in begun for name in self._names.get(tokens, ())[:NAMES]]
        results = self._decoder.generate(
            frames,
            begun,
            most_tokens(speech) + max(map(len, begun)),
            self._context,
            beam_size=BEAM,
            num_hypotheses=BEAM,
            no_repeat_ngram_size=REPEATED + 1,
            suppress_tokens=self._others,
        )
        written = [[self._decoder.text(tokens) for tokens in result.sequences_ids] for result in results]
        found: dict[str, None] = {}
        for text in (free.text, *(each[0] for each in written)):
            found.update((capitals(one), None) for one in self._put_together(text, names))
        for text in itertools.chain(*written):
            words = text.split()
            beginnings = (self._reads(" ".join(words[:end])) for end in range(len(words), 0, -1))
            longest = next((one for one in beginnings if one is not None), None)
            if longest is not None:
                found[capitals(longest.text)] = None
        return list(found)

    def _begin(self, free: Writing) -> list[Tokens]:
        """The likeliest first words of a sentence; none at all stands for a number that begins one."""
        likely = {tokens: free.first[tokens[0]] for tokens in self._names}
        if self._numbers:
            likely[()] = log_sum(free.first[self._numbers])
        return sorted(likely, key=lambda tokens: -likely[tokens])[:BEGUN]

    def _put_together(self, text: str, names: Iterable[str]) -> Iterator[str]:
        """The numbers in a text, each as a sentence of its own: after each name, or before what may follow one."""
        words = tuple(normalise(homophones(text)).split())
        politely = " please" if words[-1:] == ("please",) else ""
        for begin, end in self._sentences.numbers(words):
            number = " ".join(words[begin:end])
            sentences = [f"{name} {number}{politely}".strip() for name in (" ".join(words[:begin]), *names)]
            if not begin:
                sentences += [f"{number} {after}" for after in self._sentences.after]
            yield from (sentence for sentence in sentences if self._reads(sentence) is not None)


def _weighing(
    candidates: Mapping[Tokens, tuple[Parsed, float]],
    free_text: str,
    free_parsed: Parsed | None,
    active: float,
    listened: Listened | None,
) -> NumberWeighing:
    texts = list({parsed.text for parsed, _ in candidates.values()})
    behind = {} if listened is None else dict(zip(texts, listened.behind(texts), strict=True))
    return NumberWeighing(tuple(candidates.values()), free_text, free_parsed, active, behind)
