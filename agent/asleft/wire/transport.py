"""By what MQTT reaches a broker: plain, or by WebSockets where only the web's ports are open. Pure."""

from __future__ import annotations

import re

WEBSOCKET_PATH_WANTED = 'must begin with "/" and have no spaces, as "/mqtt"'
"""What a path for WebSockets is, as a fault says it."""
_PATH = re.compile(r"/[\x21-\x7e]{0,199}")


def is_websocket_path(text: str) -> bool:
    """Whether `text` can be asked for by WebSockets."""
    return _PATH.fullmatch(text) is not None
