"""The recordings a report plays: inside the page while they are small together, beside it otherwise."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from ..folder import AUDIO
from ..log import Log
from ..verifying import RECORDINGS_DROPPED

# Sound kept inside the page, bytes. An exam's utterances are some 20 kB each (16 kHz FLAC), so that a usual
# exam travels as one file; a browser still opens a page of this size at once (design).
EMBED_MOST = 12 * 2**20

DROPPED = "recording dropped"
CONVERSATION = ("conversation.flac", "conversation.wav")
_TYPES = {".flac": "audio/flac", ".wav": "audio/wav"}


@dataclass
class Sounds:
    """What can be played.

    utterances    the source of each utterance's recording by the seq of its event: a data: URI or a path
    faults        why an utterance that was recorded cannot be played, by seq
    conversation  the source of the whole recording, or None; `seconds` its length where it is known
    embedded      the utterances are inside the page
    """

    utterances: dict[int, str] = field(default_factory=dict)
    faults: dict[int, str] = field(default_factory=dict)
    conversation: str | None = None
    seconds: float | None = None
    embedded: bool = True


def collect(folder: Path, log: Log, most: int = EMBED_MOST) -> Sounds:
    """The recordings of an exam folder that are as the log has them. `most`: bytes to keep inside the page."""
    sounds = Sounds()
    dropped = any(flag.get("code") == RECORDINGS_DROPPED for flag in log.of_kind("flag"))
    found: dict[int, tuple[str, bytes]] = {}
    for held in log.of_kind("heard"):
        name = held.get("audio")
        if not name or "amends" in held:
            continue
        seq = held["seq"]
        parts = PurePosixPath(str(name)).parts
        if len(parts) != 2 or parts[0] != AUDIO or parts[1] == "..":
            sounds.faults[seq] = "its recording is not in the folder of recordings"
            continue
        try:
            content = folder.joinpath(*parts).read_bytes()
        except OSError:
            sounds.faults[seq] = DROPPED if dropped else "its recording is missing"
            continue
        if hashlib.sha256(content).hexdigest() != held.get("audio_sha256"):
            sounds.faults[seq] = "its recording was changed"
            continue
        found[seq] = ("/".join(parts), content)
    room = most - sum(len(content) for _, content in found.values())
    sounds.embedded = room >= 0
    for seq, (name, content) in found.items():
        sounds.utterances[seq] = _data_uri(name, content) if sounds.embedded else _link(name)
    for name in CONVERSATION:
        path = folder / name
        if path.is_file():
            size = path.stat().st_size
            with path.open("rb") as file:
                sounds.seconds = flac_seconds(file.read(42))
            inside = sounds.embedded and size <= room
            sounds.conversation = _data_uri(name, path.read_bytes()) if inside else _link(name)
            break
    return sounds


def flac_seconds(head: bytes) -> float | None:
    """The length of a FLAC file from its first 42 bytes, in seconds; None where they do not say.

    Source: RFC 9639, section 8.2 (streaminfo): 20 bits of sample rate, 8 of format, 36 of sample count.
    """
    if len(head) < 26 or head[:4] != b"fLaC":
        return None
    bits = int.from_bytes(head[18:26], "big")
    rate, samples = bits >> 44, bits & (2**36 - 1)
    return samples / rate if rate and samples else None


def _data_uri(name: str, content: bytes) -> str:
    kind = _TYPES.get(PurePosixPath(name).suffix.lower(), "application/octet-stream")
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


def _link(name: str) -> str:
    """A name within the folder as a relative reference: nothing in it can lead elsewhere."""
    from urllib.parse import quote

    return quote(name, safe="/")
