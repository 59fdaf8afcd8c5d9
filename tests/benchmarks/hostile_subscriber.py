"""Everything a subscriber can do to a broker, as a program: `python hostile_subscriber.py PORT`. Ends when killed.

It subscribes to all there is and reads slowly, publishes rubbish under our topics, kept by the broker too, and sends
a megabyte now and then. A second one subscribes and is stopped (SIGSTOP) by whoever started this.
"""

from __future__ import annotations

import asyncio
import logging
import sys
from contextlib import suppress

import aiomqtt

logging.getLogger("mqtt").setLevel(logging.CRITICAL)
ROOT = "pullwatch/v1"


async def slow(port: int) -> None:
    """Read ten messages a second of however many come."""
    async with aiomqtt.Client("127.0.0.1", port, identifier="slow") as client:
        await client.subscribe("#", qos=1)
        async for _ in client.messages:
            await asyncio.sleep(0.1)


async def rubbish(port: int) -> None:
    """Publish under every topic of ours, a hundred messages a second, and every second a megabyte."""
    async with aiomqtt.Client("127.0.0.1", port, identifier="rubbish") as client:
        number = 0
        while True:
            for kind in ("birth", "state", "alarm/toggle", "values", "feeds", "event"):
                await client.publish(
                    f"{ROOT}/bench/{kind}", b'{"session": "x", "seq": 999999999999', qos=1, retain=True
                )
                await client.publish(f"{ROOT}/other {number % 50}/{kind}", bytes(1000), qos=0, retain=True)
            number += 1
            if number % 10 == 0:
                await client.publish(f"{ROOT}/bench/alarm/toggle", bytes(1_000_000), qos=0, retain=True)
            await asyncio.sleep(0.1)


async def main(port: int) -> None:
    """Do both, again and again."""
    while True:
        with suppress(aiomqtt.MqttError):
            await asyncio.gather(slow(port), rubbish(port))
        await asyncio.sleep(0.1)


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))
