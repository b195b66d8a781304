"""What variables an OPC UA server has: for whoever writes a settings file. It only browses and reads."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass

from asleft.instruments.opcua_client import make_client
from asleft.instruments.opcua_settings import OpcUaAddress
from asleft.instruments.opcua_values import reason_of
from asyncua import Client, Node, ua

MOST_NODES = 20_000
"""Nodes looked at in one run; a server may be endless."""
_MOST_DEPTH = 30
_MOST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Found:
    """One variable: path of browse names, node id, type, and its value or the status in place of it."""

    path: str
    node: str
    kind: str
    value: str
    numeric: bool


async def browse(address: OpcUaAddress, timeout_s: float, start: str = "") -> tuple[list[Found], bool]:
    """Variables below a node (Objects without one), and whether all were looked at.

    The server's description of itself is left out unless it is asked for. Raises `OSError`, `asyncua.ua.UaError` and
    `asleft.instruments.opcua_client.FileFault`.
    """
    client = await make_client(address, timeout_s)
    async with client:
        top = client.get_node(start) if start else client.get_objects_node()
        found: list[Found] = []
        seen = 0
        async for path, node in _below(client, top):
            seen += 1
            if seen > MOST_NODES:
                return found, False
            if path[-1][1]:
                found.append(await _variable(path, node))
        return found, True


async def _below(client: Client, top: Node) -> AsyncIterator[tuple[list[tuple[str, bool]], Node]]:
    """Path (name and whether it is a variable, from the top) and node of everything below, in depth first order."""
    waiting: list[tuple[list[tuple[str, bool]], Node]] = [([], top)]
    known = {top.nodeid}
    while waiting:
        path, node = waiting.pop()
        if path:
            yield path, node
        if len(path) >= _MOST_DEPTH:
            continue
        children = await node.get_children_descriptions(refs=ua.ObjectIds.HierarchicalReferences)
        inside = []
        for child in children:
            node_id = child.NodeId
            if child.NodeClass not in (ua.NodeClass.Object, ua.NodeClass.Variable) or node_id in known:
                continue
            if node_id == ua.NodeId(ua.Int32(ua.ObjectIds.Server)):
                continue
            known.add(node_id)
            name = child.BrowseName.Name or "?"
            inside.append(([*path, (name, child.NodeClass is ua.NodeClass.Variable)], client.get_node(node_id)))
        waiting += reversed(inside)


async def _variable(path: list[tuple[str, bool]], node: Node) -> Found:
    name = "/".join(part for part, _ in path)
    value = await node.read_data_value(raise_on_bad_status=False)
    status = 0 if value.StatusCode is None else int(value.StatusCode.value)
    kind = value.Value.VariantType.name if value.Value is not None else "?"
    held = value.Value.Value if value.Value is not None else None
    if reason_of(status) is not None and value.StatusCode is not None:
        return Found(name, node.nodeid.to_string(), kind, value.StatusCode.name, False)
    shown = " ".join(str(held).split())
    shown = shown if len(shown) <= _MOST_SHOWN else shown[: _MOST_SHOWN - 3] + "..."
    return Found(name, node.nodeid.to_string(), kind, shown, isinstance(held, bool | int | float))


def lines_of(found: list[Found], *, everything: bool) -> Iterator[str]:
    """A table: path, node id, type, value; without `everything` only what can be a channel."""
    shown = [one for one in found if everything or one.numeric]
    if not shown:
        return
    widths = [max(len(getattr(one, key)) for one in shown) for key in ("path", "node", "kind")]
    for one in shown:
        cells = (f"{text:<{width}}" for text, width in zip((one.path, one.node, one.kind), widths, strict=True))
        yield "  ".join((*cells, one.value))
