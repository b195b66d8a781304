"""`python -m asleft.cli.demonstration.embedded_broker --port N`: an MQTT 3.1.1 broker for a demo, on loopback.

It keeps nothing over a restart; the end-to-end acknowledgement makes up for that.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import signal
from contextlib import suppress

from amqtt.broker import Broker

_CLOSING_S = 3.0


async def serve(port: int) -> None:
    """Serve until SIGTERM or SIGINT."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": 100}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    await stop.wait()
    # From Python 3.12 on a server that closes waits for its connections; one that never spoke is never ended.
    with suppress(TimeoutError):
        await asyncio.wait_for(broker.shutdown(), _CLOSING_S)


def main() -> None:
    """Parse the port and serve."""
    parser = argparse.ArgumentParser(description="An MQTT 3.1.1 broker for a demo, on loopback.")
    parser.add_argument("--port", type=int, required=True)
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(parser.parse_args().port))


if __name__ == "__main__":
    main()
