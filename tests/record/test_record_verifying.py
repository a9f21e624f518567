"""An exam folder end to end: whatever is changed, missing or cut off after the exam is found and named."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from small_exam import ticking

from assistant.errors import UserError
from assistant.record import signing
from assistant.record.folder import ExamFolder, build, log_of
from assistant.record.log import Log, sealed
from assistant.record.prescription import signature_in_force
from assistant.record.signing import SigningKey, check_signatures, fingerprint, public_key, signed_event
from assistant.record.verifying import verify_folder


def sign(exam: Path, key: SigningKey | None = None, by: str = "A. Practitioner") -> None:
    with ExamFolder.resume(exam, ticking()) as folder:
        folder.append(signed_event(folder.recovered, by, "L-1234", ticking(), key))
        folder.build()


@pytest.fixture
def pem(tmp_path: Path) -> Path:
    """An Ed25519 key pair in PEM files: tmp_path/key.pem and tmp_path/key.pub."""
    pytest.importorskip("cryptography", reason="the extra `sign` is not installed")
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
        PublicFormat,
    )

    key = Ed25519PrivateKey.generate()
    path = tmp_path / "key.pem"
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    public = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    path.with_suffix(".pub").write_bytes(public)
    return path


def problems(exam: Path) -> list[str]:
    return [str(problem) for problem in verify_folder(exam).problems]


def test_an_untouched_exam_holds(exam: Path) -> None:
    verdict = verify_folder(exam)
    assert verdict.problems == []
    assert any("10 events" in text for text in verdict.holds)
    assert any("recordings: 3" in text for text in verdict.holds)
    sign(exam)
    assert problems(exam) == []


def test_any_one_byte_of_a_signed_log_changed_names_its_line(exam: Path) -> None:
    sign(exam)
    path = exam / "exam.jsonl"
    raw = path.read_bytes()
    starts = [0, *[place + 1 for place, byte in enumerate(raw) if byte == 0x0A][:-1]]
    for number, start in enumerate(starts, start=1):
        for place in range(start, start + 12):  # every byte is tried on the log alone; here the whole folder
            path.write_bytes(raw[:place] + bytes([raw[place] ^ 1]) + raw[place + 1 :])
            assert number in [problem.line for problem in verify_folder(exam).problems]


def test_a_tail_cut_off_cleanly_is_found_by_what_was_built(exam: Path) -> None:
    path = exam / "exam.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    for kept in range(len(lines)):
        path.write_bytes(b"".join(lines[:kept]))
        assert any("the end of the log is missing" in text for text in problems(exam)), kept


def test_a_log_written_anew_as_a_whole_is_found_by_what_was_built(exam: Path) -> None:
    forge(exam, "right", "sphere", -6.0)
    assert any("one of the two was replaced" in text for text in problems(exam))


def forge(exam: Path, eye: str, field: str, value: float) -> None:
    """Rewrite the whole log with one value changed and every hash made to fit."""
    path = exam / "exam.jsonl"
    before, lines = "0" * 64, []
    for line in path.read_text().splitlines():
        held = json.loads(line)
        if held["kind"] == "prescription":
            held[eye][field] = value
        del held["hash"]
        held["prev"] = before
        if "signed" in held:
            held["signed"]["covers"]["hash"] = before
        made, written = sealed(held)
        before = made["hash"]
        lines.append(written)
    path.write_bytes(b"".join(lines))


def test_a_key_signature_holds_against_a_log_written_anew(exam: Path, pem: Path) -> None:
    sign(exam, SigningKey(pem))
    trusted = public_key(pem.with_suffix(".pub"))
    verdict = verify_folder(exam, trusted)
    assert verdict.problems == []
    assert any(fingerprint(trusted) in text for text in verdict.holds)
    forge(exam, "right", "sphere", -6.0)
    build(exam)
    assert problems(exam) == ["line 11 (event 10): the key signature does not hold"]


def test_a_signature_by_name_cannot_show_that_and_says_so(exam: Path) -> None:
    sign(exam)
    forge(exam, "right", "sphere", -6.0)
    build(exam)
    verdict = verify_folder(exam)
    assert verdict.problems == []
    assert any("not a log written anew as a whole" in note for note in verdict.notes)


def test_a_signature_by_another_key_or_none_is_told_apart(exam: Path, pem: Path, tmp_path: Path) -> None:
    other = hashlib.sha256(b"another key").digest()
    assert any("not signed" in str(held) for held in verify_folder(exam, other).problems)
    by_name = tmp_path / "by_name"
    shutil.copytree(exam, by_name)
    sign(by_name)
    assert any("by name alone" in str(held) for held in verify_folder(by_name, other).problems)
    sign(exam, SigningKey(pem))
    assert any("another key" in str(held) for held in verify_folder(exam, other).problems)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda event: event["right"].update(sphere=-6.0), "is not the one the exam had come to"),
        (lambda event: event["signed"]["covers"].update(events=3), "does not cover the log before it"),
        (lambda event: event["signed"]["covers"].update(hash="0" * 64), "does not cover the log before it"),
        (lambda event: event["signed"].pop("covers"), "lacks what it must state"),
        (lambda event: event["signed"].update(by=""), "lacks what it must state"),
        (lambda event: event.update(status="draft"), "lacks what it must state"),
        (lambda event: event["signed"].update(method="wax"), "'wax' is none known here"),
        (lambda event: event.pop("signed"), "nobody signed it"),
    ],
)
def test_a_false_signature_is_named(exam: Path, change: object, what: str) -> None:
    log = log_of(exam)
    event = signed_event(log, "A. Practitioner", "L-1", ticking())
    event = json.loads(json.dumps(event))
    change(event)
    with ExamFolder.resume(exam, ticking()) as folder:
        folder.append(event)
        folder.build()
    assert any(what in text and text.startswith("line 11 ") for text in problems(exam)), problems(exam)


def test_a_key_signature_is_not_called_good_without_the_library(
    exam: Path, pem: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sign(exam, SigningKey(pem))

    def missing(_: object) -> bool:
        raise signing.KeysMissing

    monkeypatch.setattr(signing, "_key_signature_holds", missing)
    verdict = verify_folder(exam)
    assert verdict.problems == []
    assert any("a key signature was not checked" in note for note in verdict.notes)


def test_signing_covers_everything_before_it(exam: Path) -> None:
    before = log_of(exam)
    sign(exam)
    log = log_of(exam)
    signed = log.events[-1]
    assert signed["signed"]["covers"] == {"events": len(before.events), "hash": before.last_hash}
    assert signed["status"] == "active"
    assert signature_in_force(log.events) == signed
    assert signature_in_force((*log.events, {"kind": "heard", "amends": 4})) is None
    assert signature_in_force((*log.events, {"kind": "flag"})) == signed
    built = json.loads((exam / "prescription.json").read_text())
    assert built["status"] == "active"
    assert built["signed"]["by"] == "A. Practitioner"
    assert check_signatures(log) == []


def test_what_cannot_be_signed_is_refused(exam: Path) -> None:
    log = log_of(exam)
    for by, licence, what in (("", "L", "--by"), (" \n", "L", "--by"), ("A", " ", "--licence")):
        with pytest.raises(UserError, match=what):
            signed_event(log, by, licence)
    with pytest.raises(UserError, match="no prescription to sign"):
        signed_event(Log(log.events[:3]), "A", "L")
    sign(exam)
    with pytest.raises(UserError, match="signed already, by A"):
        signed_event(log_of(exam), "B", "L")


def test_what_is_no_key_is_refused(tmp_path: Path, pem: Path) -> None:
    with pytest.raises(UserError, match="cannot be read"):
        SigningKey(tmp_path / "none.pem")
    with pytest.raises(UserError, match="no private key"):
        SigningKey(pem.with_suffix(".pub"))
    with pytest.raises(UserError, match="not an Ed25519 public key"):
        public_key(pem)
    with pytest.raises(UserError, match="cannot be read"):
        public_key(tmp_path / "none.pem")


def test_a_key_with_a_password_asks_for_it(tmp_path: Path) -> None:
    pytest.importorskip("cryptography", reason="the extra `sign` is not installed")
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import (
        BestAvailableEncryption,
        Encoding,
        PrivateFormat,
    )

    path = tmp_path / "key.pem"
    path.write_bytes(
        Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"word"))
    )
    assert SigningKey(path, lambda: "word").public
    with pytest.raises(UserError, match="password"):
        SigningKey(path)
    with pytest.raises(UserError, match="password is another"):
        SigningKey(path, lambda: "other")


def test_a_recording_changed_or_missing_names_its_line(exam: Path) -> None:
    first, second, _ = sorted((exam / "audio").iterdir())
    raw = first.read_bytes()
    first.write_bytes(raw[:-1] + bytes([raw[-1] ^ 1]))
    second.unlink()
    assert problems(exam) == [
        f"line 5 (event 4): its recording audio/{first.name} was changed",
        f"line 6 (event 5): its recording audio/{second.name} is missing",
    ]


@pytest.mark.parametrize(
    "name", ["../secret.flac", "audio/../exam.jsonl", "/etc/hostname", "audio/..", "", 7, "audio/a/b"]
)
def test_a_recording_outside_the_folder_is_never_opened(tmp_path: Path, name: object) -> None:
    with ExamFolder.create(tmp_path / "exam", ticking()) as folder:
        folder.append({"kind": "heard", "text": "", "accepted": False, "audio": name or "x", "audio_sha256": "0" * 64})
        folder.append({"kind": "step", "eye": "right", "step": "sphere", "status": "begun"})
    assert any("is not in the folder of recordings" in text for text in problems(tmp_path / "exam"))


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda held: held["right"].update(sphere=-6.0), "right not as the log has it"),
        (lambda held: held.update(status="active"), "status not as the log has it"),
        (lambda held: held.update(signed={"by": "X"}), "signed not as the log has it"),
        (lambda held: held.pop("log"), "no longer says where the log ends"),
        (lambda held: held["log"].update(events="many"), "no longer says where the log ends"),
        (lambda held: held["log"].update(events=0), "one of the two was replaced"),
        (lambda held: held["flags"].clear(), "flags not as the log has it"),
    ],
)
def test_a_changed_prescription_file_is_found(exam: Path, change: object, what: str) -> None:
    path = exam / "prescription.json"
    held = json.loads(path.read_text())
    change(held)
    path.write_text(json.dumps(held))
    assert any(what in text for text in problems(exam)), problems(exam)


@pytest.mark.parametrize("content", [b"", b"[]", b"{", b"\xff", b"[" * 100000])
def test_a_prescription_file_that_is_none_is_found(exam: Path, content: bytes) -> None:
    (exam / "prescription.json").write_bytes(content)
    assert any("no longer says where the log ends" in text for text in problems(exam))


def test_missing_and_changed_files_that_can_be_built_again_say_so(exam: Path) -> None:
    (exam / "prescription.json").unlink()
    (exam / "transcript.txt").write_text("something else")
    assert [text.split(":")[0].split(" ")[0] for text in problems(exam)] == [
        "prescription.json",
        "transcript.txt",
    ]
    assert all("verify --rebuild" in text for text in problems(exam))
    build(exam)
    assert problems(exam) == []
