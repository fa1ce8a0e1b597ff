"""What the numbers were measured on."""

import os
import platform
from pathlib import Path


def processor() -> str:
    """Name of the processor and how many cores there are."""
    cpuinfo = Path("/proc/cpuinfo")
    name = platform.processor() or platform.machine()
    if cpuinfo.exists():
        names = [line.partition(":")[2].strip() for line in cpuinfo.read_text().splitlines() if "model name" in line]
        name = names[0] if names else name
    return f"{name}, {os.cpu_count()} cores"
