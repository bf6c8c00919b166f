"""A broker in pure Python, in a process of its own: started by `brokers.Amqtt`, told by JSON.

Says its port on stdout once it listens; ends when its stdin does.
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
import tempfile
from pathlib import Path
from typing import Any

from amqtt.broker import Broker
from pwdlib.hashers.argon2 import Argon2Hasher


def configuration(told: dict[str, Any], folder: Path) -> dict[str, Any]:
    listener: dict[str, Any] = {"type": "tcp", "bind": f"127.0.0.1:{told['port']}"}
    if "certfile" in told:
        listener |= {"ssl": True, "certfile": told["certfile"], "keyfile": told["keyfile"]}
    plugins: dict[str, Any] = {}
    if "password" in told:
        users = folder / "users"
        users.write_text(f"{told['username']}:{Argon2Hasher().hash(told['password'])}\n", "utf-8")
        plugins["amqtt.plugins.authentication.FileAuthPlugin"] = {"password_file": str(users)}
    else:
        plugins["amqtt.plugins.authentication.AnonymousAuthPlugin"] = {"allow_anonymous": True}
    if "readable" in told:
        plugins["amqtt.plugins.topic_checking.TopicAccessControlListPlugin"] = {
            "acl": {"anonymous": told["readable"]}
        }
    if told.get("sys"):
        plugins["amqtt.plugins.sys.broker.BrokerSysPlugin"] = {"sys_interval": 1}
    return {"listeners": {"default": listener}, "plugins": plugins}


async def serve(told: dict[str, Any], folder: Path) -> None:
    broker = Broker(configuration(told, folder))
    await broker.start()
    (server,) = broker._servers.values()
    print(server.instance.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await broker.shutdown()


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(serve(json.loads(sys.argv[1]), Path(folder)))
