"""OPC UA servers for tests: the library's own on a thread, and node-opcua (npm) as a process, which is not ours."""

from __future__ import annotations

import asyncio
import json
import socket
import subprocess
import threading
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from asyncua import Node, Server, ua
from npm_package import environment

NODE_OPCUA = "node-opcua-server@2.186.4"
_SCRIPT = Path(__file__).parent / "opcua_server.js"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class OwnServer:
    """asyncua's server on a thread. `node(name)` is a variable, written with `write`."""

    def __init__(self, names: dict[str, object], port: int = 0) -> None:
        self.port = port or free_port()
        self.url = f"opc.tcp://127.0.0.1:{self.port}"
        self._names = names
        self.nodes: dict[str, Node] = {}
        self._loop = asyncio.new_event_loop()
        self._ready, self._end = threading.Event(), asyncio.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(120)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())

    async def _serve(self) -> None:
        server = Server()
        await server.init()
        server.set_endpoint(self.url)
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        space = await server.register_namespace("urn:press")
        press = await server.nodes.objects.add_object(space, "Press4")
        self._press, self._space = press, space
        for name, value in self._names.items():
            await self._add(name, value)
        async with server:
            self._ready.set()
            await self._end.wait()

    async def _add(self, name: str, value: object) -> None:
        self.nodes[name] = await self._press.add_variable(ua.NodeId(f"Press4.{name}", self._space), name, value)
        await self.nodes[name].set_writable()

    def add(self, name: str, value: object) -> None:
        self.do(lambda: self._add(name, value))

    def do(self, work: Callable[[], Coroutine[Any, Any, Any]]) -> Any:
        return asyncio.run_coroutine_threadsafe(work(), self._loop).result(120)

    def write(self, name: str, value: ua.DataValue) -> None:
        self.do(lambda: self.nodes[name].write_value(value))

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(10)


class NodeServer:
    """node-opcua with Press4.Counter, which counts up every 20 ms, and others that stand still."""

    def __init__(self, modules: Path, folder: Path, port: int = 0) -> None:
        self.port = port or free_port()
        self.url = f"opc.tcp://127.0.0.1:{self.port}"
        self._process = subprocess.Popen(
            ["node", str(_SCRIPT), str(self.port), str(folder)],
            env=environment(modules),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("{"):
                self.certificate = Path(json.loads(line)["certificate"])
                break
        else:
            raise AssertionError("node-opcua ended at once")

    def stop(self) -> None:
        self._process.kill()
        self._process.wait(10)
