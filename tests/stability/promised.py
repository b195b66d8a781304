"""What is promised to stay (compose/operating.md, "What is stable"), as the code has it now.

python tests/stability/promised.py        writes promise.json anew: when something was added, never to break it
"""

from __future__ import annotations

import argparse
import importlib
import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from asleft.cli.main import COMMANDS
from asleft.wire import block_pb2, topics

FILE = Path(__file__).with_name("promise.json")
SCHEMA = Path(__file__).parents[2] / "dashboard/asleft/web/report/verification_record.schema.json"


def proto() -> dict[str, dict[str, list[Any]]]:
    """Messages and enumerations of block.proto: name -> field -> number, kind, repeated."""
    file = block_pb2.DESCRIPTOR
    found: dict[str, dict[str, list[Any]]] = {}
    for name, message in file.message_types_by_name.items():
        found[name] = {
            field.name: [field.number, field.type, field.message_type.name if field.message_type else ""]
            for field in message.fields
        }
        for inner, enum in message.enum_types_by_name.items():
            found[f"{name}.{inner}"] = {value.name: [value.number] for value in enum.values}
    for name, enum in file.enum_types_by_name.items():
        found[name] = {value.name: [value.number] for value in enum.values}
    return found


def topic_names() -> dict[str, str]:
    """Each topic of an agent, and what the recorder asks for."""
    return {
        "block": topics.block_topic("hall-1"),
        "state": topics.state_topic("hall-1"),
        "status": topics.status_topic("press-1.platen"),
        "outlet": topics.outlet_topic("outlet"),
        "ack": topics.ack_topic("hall-1"),
        "all blocks": topics.ALL_BLOCKS,
        "all states": topics.ALL_STATES,
    }


def exit_codes() -> dict[str, list[int]]:
    """Exit codes of every command, as its help has them."""
    from asleft.edge import main as agent

    helps = {name: importlib.import_module(command.module).HELP for name, command in COMMANDS.items()}
    helps["asleft-agent"] = agent._EPILOG.replace("exit status", "exit codes")
    found = {}
    for name, text in helps.items():
        told = text[text.index("exit code") :] if "exit code" in text else ""
        told = told.split("\n\ncautions")[0]
        found[name] = sorted({int(code) for code in re.findall(r"(?:^|[:;,]|\n)\s*(\d{1,3})\s+[a-z-]", told)})
    return found


def options() -> dict[str, list[str]]:
    """Options of every command."""
    found = {}
    for name, command in COMMANDS.items():
        parser = argparse.ArgumentParser(add_help=False)
        importlib.import_module(command.module).add_arguments(parser)
        found[name] = sorted(option for action in parser._actions for option in action.option_strings)
    return found


def metrics() -> dict[str, list[str]]:
    """Families of agent, recorder and dashboard that operating.md lists: name -> labels."""
    text = (Path(__file__).parents[2] / "compose/operating.md").read_text(encoding="utf-8")
    part = text[text.index("## Watching it") : text.index("## Backup and restore")]
    found: dict[str, list[str]] = {}
    prefix = ""
    for line in part.splitlines():
        head = re.match(r"\| \w+, `(asleft_\w+_)\.\.\.` \|", line)
        if head:
            prefix = head.group(1)
        elif line.startswith("| `") and prefix:
            for name, labels in re.findall(r"`(\w+)(?:\{([\w,]+)\})?`", line.split("|")[1]):
                found[prefix + name] = labels.split(",") if labels else []
    return found


def interface() -> dict[str, dict[str, dict[str, Any]]]:
    """The interface for programs: address -> choices, and form -> fields, with their types."""
    from asleft.web.api.routes import document

    made = document("1")

    def typed(schema: Mapping[str, Any]) -> list[str]:
        several = schema.get("anyOf", [schema])
        return sorted(str(one.get("type") or one.get("$ref") or one.get("enum") or "any") for one in several)

    addresses = {
        path: {one["name"]: typed(one["schema"]) for one in methods["get"]["parameters"] if one["in"] != "header"}
        for path, methods in made["paths"].items()
    }
    forms = {
        name: {field: typed(one) for field, one in schema["properties"].items()}
        for name, schema in made["components"]["schemas"].items()
    }
    return {"addresses": addresses, "forms": forms}


def said() -> dict[str, dict[str, list[str]]]:
    """Forms of events and statuses: form -> field -> types."""
    from asleft.outlets.forms import KINDS, schemas

    forms = {kind.__name__: f"{form.name} {form.version}" for form, kind in KINDS}
    return {
        forms.get(name, name): {
            field: sorted(str(one.get("type") or one.get("$ref")) for one in found.get("anyOf", [found]))
            for field, found in part.get("properties", {}).items()
        }
        for name, part in schemas()["$defs"].items()
    }


def sparkplug() -> dict[str, list[str]]:
    """Metrics of a device that has every setting, and of the node: name -> type and unit."""
    from asleft.outlets.sparkplug.metrics import of_valve
    from asleft.outlets.sparkplug.node import Node
    from asleft.sheet.model import QUANTITY_UNITS
    from asleft.web.api.plant import quantities_of
    from asleft.web.presses.view import Row
    from asleft.web.views.valves import Liveness, ValveName

    row = Row(
        ValveName("v", "", ""), "", "good", "", "", [], Liveness(True, "live", "", 0.0), "", [], (0, 0, 0.0, [])
    )
    found = of_valve(row, quantities_of([{"id": name, "unit": unit} for name, unit in QUANTITY_UNITS.items()]), None)
    return {one.name: [one.type.name, one.unit] for one in (*found, *Node("g", "n", "1")._own())}


def record_fields() -> list[str]:
    """Fields of a verification record, as its schema has them."""
    return sorted(json.loads(SCHEMA.read_text(encoding="utf-8"))["properties"])


WHAT: Mapping[str, Callable[[], Any]] = {
    "block.proto": proto,
    "topics": topic_names,
    "exit codes": exit_codes,
    "options": options,
    "metrics": metrics,
    "verification record": record_fields,
    "interface for programs": interface,
    "events and statuses": said,
    "Sparkplug B": sparkplug,
}


def main() -> None:
    kept = json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}
    kept |= {name: ask() for name, ask in WHAT.items()}
    FILE.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
