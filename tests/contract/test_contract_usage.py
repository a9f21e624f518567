"""Commands, options, exit codes: 0 done; 1 the work failed, in one plain line; 2 wrong usage."""

from __future__ import annotations

import importlib
import io
import pkgutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from program import ROOT, in_one_line, lines, run

from assistant import __version__, cli, commands
from assistant.hearing import engines
from assistant.record.folder import log_of
from assistant.record.log import check_lines

THE_SPINE = {"exam", "hear", "simulate", "practice", "export", "resume", "verify", "sign", "amend", "compare", "forget"}


def offered() -> list[str]:
    """Commands that are there."""
    there = {module.name for module in pkgutil.iter_modules(commands.__path__)}
    return [name for name in cli.COMMANDS if name in there]


def failing(capsys: pytest.CaptureFixture[str], *words: str | Path) -> str:
    """The one line a command ends with, exit code 1."""
    code = cli.main([str(word) for word in words])
    error = capsys.readouterr().err
    assert code == 1, error
    return in_one_line(error.encode())


def used_wrongly(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    with pytest.raises(SystemExit) as stopped:
        cli.main(list(words))
    assert stopped.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Traceback" not in said.err
    return said.err


# ------------------------------------------------------------------------------------------------------ usage
def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        cli.main(["--help"])
    assert stopped.value.code == 0
    listed = {line.split()[0] for line in capsys.readouterr().out.splitlines() if line.startswith("    ")}
    assert set(offered()) <= listed
    assert listed >= THE_SPINE


@pytest.mark.parametrize("command", offered())
def test_every_command_has_help_of_its_own(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        cli.main([command, "--help"])
    assert stopped.value.code == 0
    assert command in capsys.readouterr().out


def test_a_command_that_cannot_be_loaded_touches_only_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    load = importlib.import_module

    def broken(name: str, package: str | None = None) -> ModuleType:
        if name.endswith(".demo"):
            raise ImportError("a library is missing")
        return load(name, package)

    monkeypatch.setattr(importlib, "import_module", broken)
    assert "exam" in failing(capsys, "verify", tmp_path / "none")


def test_the_module_runs_as_the_program(tmp_path: Path) -> None:
    done = run("--version", cwd=tmp_path)
    assert (done.returncode, done.stdout.decode().strip()) == (0, f"handsfree-refraction {__version__}")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("refract",),
        ("exam", "--louder"),
        ("exam", "--speak", "softly"),
        ("exam", "--asks", "nobody"),
        ("exam", "--out"),
        ("exam", "surplus"),
        ("verify",),
        ("sign", "folder"),
        ("hear",),
    ],
    ids=" ".join,
)
def test_wrong_usage_is_2(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert "usage: handsfree-refraction" in used_wrongly(capsys, *words)


def test_wrong_usage_is_2_from_outside(tmp_path: Path) -> None:
    done = run("exam", "--louder", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == b""
    assert b"--louder" in done.stderr
    assert b"Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------------------------------------------- listening
class Deaf:
    """Stands in for a recogniser: these tests never come to listening."""

    name, model = "none", "none"


@pytest.fixture
def deaf(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engines, "load", lambda *_: Deaf())


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("not audio.wav", b"this is a letter, not a recording\n" * 20),
        ("empty.wav", b""),
        ("header only.wav", b"RIFF\x24\x00\x00\x00WAVEfmt "),
        ("cut.flac", b"fLaC\x00\x00\x00\x22"),
    ],
    ids=lambda given: given if isinstance(given, str) else "",
)
def test_a_recording_that_is_none(
    deaf: None, tmp_path: Path, name: str, content: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = tmp_path / name
    recording.write_bytes(content)
    out = tmp_path / "exam"
    assert name in failing(capsys, "exam", "--listen", recording, "--out", out)
    assert not out.exists()  # no exam was begun


@pytest.mark.parametrize("listen", ["missing.wav", "line", ""])
def test_a_recording_that_is_not_there(tmp_path: Path, listen: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = failing(capsys, "exam", "--listen", tmp_path / listen, "--out", tmp_path / "exam")
    assert str(tmp_path / listen) in told
    assert "text" in told  # what may be given


# ------------------------------------------------------------------------------------------------------ folders
@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("52\n62\n"))


def test_an_exam_is_never_written_over(typed: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "exam"
    assert cli.main(["exam", "--listen", "text", "--out", str(out)]) == 0
    before = (out / "exam.jsonl").read_bytes()
    capsys.readouterr()
    told = failing(capsys, "exam", "--listen", "text", "--out", out)
    assert str(out) in told
    assert "another folder" in told
    assert (out / "exam.jsonl").read_bytes() == before
    assert check_lines(before) == []


def a_file(folder: Path) -> Path:
    (folder / "file").write_text("here already")
    return folder / "file"


@pytest.mark.parametrize(
    "place",
    [a_file, lambda folder: a_file(folder) / "exam", lambda folder: a_file(folder) / "deep" / "exam"],
    ids=["a file", "under a file", "deep under a file"],
)
def test_a_folder_that_cannot_be_made(
    typed: None, tmp_path: Path, place: Callable[[Path], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    told = failing(capsys, "exam", "--listen", "text", "--out", place(tmp_path))
    assert "file" in told
    assert (tmp_path / "file").read_text() == "here already"


@pytest.mark.parametrize(
    "place", [lambda folder: folder, lambda folder: a_file(folder) / "events"], ids=["folder", "under"]
)
def test_a_file_for_events_that_cannot_be_written(
    typed: None, tmp_path: Path, place: Callable[[Path], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "exam"
    failing(capsys, "exam", "--listen", "text", "--out", out, "--events", place(tmp_path))
    assert not out.exists()  # told before an exam was begun


def test_without_out_the_folder_is_named_by_the_time(
    typed: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for _ in range(3):  # within a second or not
        monkeypatch.setattr(sys, "stdin", io.StringIO("52\n"))
        assert cli.main(["exam", "--listen", "text"]) == 0
    made = sorted((tmp_path / "exams").iterdir())
    assert len(made) == 3
    printed = capsys.readouterr().out
    for folder in made:
        assert f"exams/{folder.name}" in printed.replace("\\", "/")
        assert log_of(folder).events[-1]["kind"] == "prescription"


@pytest.mark.parametrize("command", ["verify", "export", "resume", "forget", "review", "rehear"])
@pytest.mark.parametrize("kind", ["missing", "empty", "a file"])
def test_a_folder_that_holds_no_exam(
    command: str, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "exam"
    if kind == "empty":
        folder.mkdir()
    elif kind == "a file":
        folder.write_text("no folder")
    more = {"export": ["--to", "fhir"], "forget": ["--audio"], "resume": ["--listen", "text"]}.get(command, [])
    assert "exam" in failing(capsys, command, folder, *more)


# ------------------------------------------------------------------------------------------------- the grammar
def with_grammars(tmp_path: Path, change: Callable[[Path], None]) -> Path:
    """A copy of the project whose grammar files somebody has worked on; the path to run it from."""
    place = tmp_path / "project"
    place.mkdir()
    (place / "assistant").symlink_to(ROOT / "assistant", target_is_directory=True)
    (place / "grammars").mkdir()
    for file in (ROOT / "grammars").glob("*.jsgf"):
        (place / "grammars" / file.name).write_bytes(file.read_bytes())
    change(place / "grammars")
    return place


def cut_short(grammars: Path) -> None:
    file = grammars / "choice.jsgf"
    file.write_text(file.read_text(encoding="utf-8")[:-200], encoding="utf-8")


def unknown_rule(grammars: Path) -> None:
    with (grammars / "legible.jsgf").open("a", encoding="utf-8") as file:
        file.write("public <more> = <nowhere> {yes};\n")


def two_meanings(grammars: Path) -> None:
    with (grammars / "choice.jsgf").open("a", encoding="utf-8") as file:
        file.write("public <turned> = one {second};\n")


def no_text(grammars: Path) -> None:
    (grammars / "common.jsgf").write_bytes(b"#JSGF V1.0 UTF-8 en;\n\xff\xfe\n")


def emptied(grammars: Path) -> None:
    (grammars / "choice.jsgf").write_bytes(b"")


def all_gone(grammars: Path) -> None:
    for file in grammars.glob("*.jsgf"):
        file.unlink()


def one_gone(grammars: Path) -> None:
    (grammars / "parts.jsgf").unlink()


@pytest.mark.skipif((ROOT / "assistant" / "_data").exists(), reason="the grammar files are inside the package here")
@pytest.mark.parametrize("change", [cut_short, two_meanings, no_text, all_gone], ids=lambda change: change.__name__)
def test_a_broken_grammar_file(tmp_path: Path, change: Callable[[Path], None]) -> None:
    place = with_grammars(tmp_path, change)
    done = run("exam", "--listen", "text", "--out", tmp_path / "exam", cwd=place, PYTHONPATH=str(place))
    assert done.returncode == 1, done.stderr
    assert "grammar" in in_one_line(done.stderr)
    assert not (tmp_path / "exam").exists()


@pytest.mark.parametrize("change", [unknown_rule, emptied, one_gone], ids=lambda change: change.__name__)
def test_a_broken_grammar_file_in_this_process(
    tmp_path: Path, change: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from assistant import data

    place = with_grammars(tmp_path, change)
    monkeypatch.setattr(data, "_PACKAGE", place / "assistant")
    told = failing(capsys, "exam", "--listen", "text", "--out", tmp_path / "exam")
    assert ".jsgf" in told
    assert not (tmp_path / "exam").exists()


def test_a_whole_copy_of_the_project_runs(tmp_path: Path) -> None:
    """The broken ones fail for their grammar, not for being copies."""
    place = with_grammars(tmp_path, lambda grammars: None)
    done = run(
        "exam", "--listen", "text", "--events", "-", "--out", tmp_path / "exam", cwd=place, PYTHONPATH=str(place)
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert lines(done.stdout)[-1]["kind"] == "prescription"


# --------------------------------------------------------------------------------------------- starting points
START = {
    "not JSON": (b"sphere -1.25", "not JSON"),
    "half an object": (b'{"right": {"sphere": -1.25}', "not JSON"),
    "a list": (b"[1, 2]", "object"),
    "a number": (b"-1.25", "object"),
    "empty": (b"", "not JSON"),
    "not text": (b"\xff\xfe\x00\x01", "not text"),
    "nested for ever": (b'{"right":' * 50_000, "not JSON"),
    "not a number": (b'{"age": NaN}', "NaN"),
    "an unknown key": (b'{"rigth": {"sphere": -1}}', "rigth"),
    "an unknown key of an eye": (b'{"right": {"spere": -1}}', "spere"),
    "an eye that is none": (b'{"right": -1.25}', "right"),
    "a sphere in words": (b'{"right": {"sphere": "minus one"}}', "sphere"),
    "a sphere beyond the dial": (b'{"right": {"sphere": -21}}', "sphere"),
    "a sphere off the clicks": (b'{"left": {"sphere": -1.3}}', "quarter"),
    "a cylinder beyond the dial": (b'{"left": {"sphere": 0, "cylinder": -9, "axis": 90}}', "cylinder"),
    "a cylinder without an axis": (b'{"left": {"sphere": 0, "cylinder": -1}}', "axis"),
    "an axis off the circle": (b'{"left": {"sphere": 0, "cylinder": -1, "axis": 200}}', "axis"),
    "an axis of half a degree": (b'{"left": {"sphere": 0, "cylinder": -1, "axis": 90.5}}', "axis"),
    "a cylinder without a sphere": (b'{"left": {"cylinder": -1, "axis": 90}}', "sphere"),
    "an acuity that is none": (b'{"left": {"acuity": "good"}}', "left"),
    "an age in words": (b'{"age": "forty"}', "age"),
    "an age of half a year": (b'{"age": 40.5}', "age"),
    "an age of nobody": (b'{"age": 400}', "age"),
    "a PD of nobody": (b'{"pd": 20}', "pd"),
    "true for a number": (b'{"pd": true}', "pd"),
    "a resource of another kind": (b'{"resourceType": "Patient"}', "Patient"),
    "a prescription without status": (b'{"resourceType": "VisionPrescription"}', "status"),
}


@pytest.mark.parametrize("kind", START)
def test_a_starting_point_that_cannot_be_used(
    typed: None, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content, named = START[kind]
    file = tmp_path / "start.json"
    file.write_bytes(content)
    told = failing(capsys, "exam", "--listen", "text", "--start", file, "--out", tmp_path / "exam")
    assert str(file) in told
    assert named.lower() in told.removeprefix("handsfree-refraction: ").replace(str(file), "").lower()
    assert not (tmp_path / "exam").exists()  # nothing is taken over by halves


@pytest.mark.parametrize("place", [lambda folder: folder / "no.json", lambda folder: folder], ids=["missing", "folder"])
def test_a_starting_point_that_is_not_there(
    typed: None, place: Callable[[Path], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = failing(capsys, "exam", "--listen", "text", "--start", place(tmp_path), "--out", tmp_path / "exam")
    assert str(place(tmp_path)) in told


def test_a_failure_from_outside_is_one_line(tmp_path: Path) -> None:
    done = run("exam", "--listen", "text", "--start", tmp_path / "no.json", "--events", "-", "--out", tmp_path / "exam")
    assert (done.returncode, done.stdout) == (1, b"")
    assert "no.json" in in_one_line(done.stderr)
