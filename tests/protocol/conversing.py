"""Golden conversations: small text files with what was said, and all that the exam said and showed for it.

    # what it shows
    start: {"age": 52, "right": {"sphere": -1.0}}
    patient: {"right": [-1.25, -0.5, 90], "left": [-1.0, 0, 180]}
    until: near
    > two
    assistant  Add plus one point seven five. Back to distance.

`start` is a start file's content, `patient` an eye that sees exactly (sphere, cylinder, axis, and where it is not 0 its
best acuity in logMAR), `until` lets that patient answer, left out of the file, to the first question of a step. `> `
are typed lines, through the real grammars. All other lines are the exam's. `PYTHONPATH=.:tests/patients
python tests/protocol/conversing.py --update` writes the exam's lines anew; read the difference before keeping it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from foreign import ForeignPatient, Rules
from foreign import event as told

from assistant.data import grammar_sources
from assistant.grammar import Grammars
from assistant.optics.transpose import written
from assistant.record.events import lens_from_dict
from assistant.record.starts import start_from_dict
from assistant.session import Session

FOLDER = Path(__file__).parent / "conversations"
GRAMMARS = Grammars(grammar_sources())
MOST_ANSWERS = 200


def files() -> list[Path]:
    return sorted(FOLDER.glob("*.txt"))


def shown(event: dict[str, Any]) -> Iterator[str]:
    """An event as lines of the conversation."""
    kind = event["kind"]
    if kind == "prompt":
        yield f"{'assistant' if event['to'] == 'examiner' else 'to patient':<10} {event['say']}"
    elif kind == "heard" and not event["used"]:
        yield f"{'(unused)':<10} {event['text']}"
    elif kind == "lens":
        yield f"{'dials':<10} {event['eye']} {written(lens_from_dict(event))}"
    elif kind == "flag":
        yield f"{'CAUTION':<10} {event['code']}: {event['says']}"
    elif kind == "step" and event["status"] != "begun":
        yield f"{'step':<10} {event['eye']} {event['step']} {event['status']}"
    elif kind == "prescription":
        for eye in ("right", "left"):
            # Intervals are figures of their own tests: their last digit may differ between processors.
            held = {key: value for key, value in event[eye].items() if value is not None and key != "interval"}
            yield f"{'draft':<10} {eye} {json.dumps(held)}"
        rest = {key: value for key, value in event.items() if key not in ("kind", "seq", "right", "left")}
        yield f"{'draft':<10} {json.dumps({key: value for key, value in rest.items() if value is not None})}"


def converse(text: str) -> str:
    """The conversation of a file's typed lines, whole, as it goes today."""
    out: list[str] = []
    said: list[dict[str, Any]] = []
    start: dict[str, Any] = {}
    patient: ForeignPatient | None = None
    session: Session | None = None

    def begun() -> Session:
        nonlocal session
        if session is None:
            session = Session(GRAMMARS, start_from_dict(start), watch=(said.append,))
            session.begin()
            flush()
        return session

    def flush() -> None:
        out.extend(line for event in said for line in shown(event))
        said.clear()

    for line in text.splitlines():
        if line.startswith("#") or (not line.strip() and session is None):
            out.append(line)
        elif line.startswith("start:"):
            out.append(line)
            start = json.loads(line.removeprefix("start:"))
        elif line.startswith("patient:"):
            out.append(line)
            eyes = json.loads(line.removeprefix("patient:"))
            age = eyes.get("age", start.get("age", 30))
            rules = Rules(**eyes.get("rules", {}))
            patient = ForeignPatient(rules, *((*eyes[eye], 0.0)[:4] for eye in ("right", "left")), 0, age=age)
        elif line.startswith("until:"):
            running = begun()
            out.append(line)
            assert patient is not None, "until: needs a patient"
            goal = line.removeprefix("until:").strip()
            for _ in range(MOST_ANSWERS):
                question = running.question
                assert question is not None, f"the exam was over before {goal}"
                if goal in (question.step, f"{question.eye} {question.step}"):
                    break
                running.take(running.typed(patient.say(told(question))))
            else:
                raise AssertionError(f"{goal} never came")
            asked = [event for event in said if event["kind"] == "prompt"][-1:]
            said[:] = asked
            flush()
        elif line.startswith("> "):
            running = begun()
            out.append(line)
            running.take(running.typed(line.removeprefix("> ")))
            flush()
    begun().close()
    flush()
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    for path in files():
        before = path.read_text(encoding="utf-8")
        now = converse(before)
        if now != before:
            print(f"{path.name}: changed")
            if "--update" in sys.argv[1:]:
                path.write_text(now, encoding="utf-8")
