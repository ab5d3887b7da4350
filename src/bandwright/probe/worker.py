"""The process in which one job of a measurement runs: a delay stream, a load, a reflector, a first hop.

A job has a process to itself so that nothing else in the program delays its packets. The parent writes JSON lines to its
standard input (the first names the job and holds its parameters, later ones are commands) and reads JSON lines from its
standard output, the first of which is "started". It ends when its job ends, or when the parent goes away. It is started with `-I -S` and imports only what
a socket needs, so that it is up in a few hundredths of a second.
"""

from __future__ import annotations

import importlib
import json
import os
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from typing import Any

__all__ = ["JOBS", "Commands", "Emit", "begun", "main"]

Emit = Callable[[dict[str, Any]], None]
Commands = queue.SimpleQueue[dict[str, Any]]

JOBS = {
    "delay": "bandwright.probe.delay",
    "first hop": "bandwright.probe.firsthop",
    "reflector": "bandwright.probe.reflector",
    "responsiveness": "bandwright.probe.responsiveness",
    "tcp": "bandwright.probe.tcp",
    "udp": "bandwright.probe.udp",
}


def begun(job: dict[str, Any], commands: Commands) -> dict[str, Any] | None:
    """Wait for "go", as long as the job's wait_s; return the job as "go" narrows it, or None where something else is said, or nothing."""
    try:
        command = commands.get(timeout=job.get("wait_s", job["start_s"]))
    except queue.Empty:
        return None
    if command["type"] != "go":
        return None
    return job | {name: min(job[name], command[name]) for name in ("seconds", "max_octets") if name in command}


_AT_ONCE = ("delay", "tcp")  # what is loaded before a job is known, so that a job begins at once


def main() -> None:
    """Read a job from standard input, do it, say what it found, and end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C at a terminal reaches the whole group; the parent ends this process in order
    lock = threading.Lock()

    def emit(message: dict[str, Any]) -> None:
        data = json.dumps(message, separators=(",", ":")).encode() + b"\n"
        with lock:
            try:
                sys.stdout.buffer.write(data)
                sys.stdout.buffer.flush()
            except (BrokenPipeError, ValueError):
                os._exit(1)

    for module in _AT_ONCE:
        importlib.import_module(JOBS[module])
    emit({"type": "started"})
    first = sys.stdin.buffer.readline()
    if not first:
        return
    job = json.loads(first)
    commands: Commands = queue.SimpleQueue()

    def read_commands() -> None:
        for line in sys.stdin.buffer:
            commands.put(json.loads(line))
        os._exit(0)  # the parent is gone, or wants us gone

    threading.Thread(target=read_commands, daemon=True).start()
    status = 1
    try:
        importlib.import_module(JOBS[job["job"]]).run(job, commands, emit)
        status = 0
    except OSError as error:
        emit({"type": "fault", "errno": error.errno, "text": os.strerror(error.errno) if error.errno else str(error)})
        status = 0
    finally:
        if status:  # a defect: say where
            traceback.print_exc()
        sys.stdout.buffer.flush()
        os._exit(status)  # threads that still wait on a dead path end with it
