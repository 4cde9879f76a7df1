"""Where Cycles renders: the CPU, or an NVIDIA card when RENDER_DEVICE=CUDA asks for one."""

from __future__ import annotations

import os

import bpy


def choose() -> str:
    """Return ``"GPU"`` when a card was asked for and Blender can use it, else ``"CPU"``."""
    if os.environ.get("RENDER_DEVICE", "") != "CUDA":
        return "CPU"
    preferences = bpy.context.preferences.addons["cycles"].preferences
    preferences.compute_device_type = "CUDA"
    preferences.get_devices()
    for device in preferences.devices:
        device.use = device.type == "CUDA"
    return "GPU" if any(device.use for device in preferences.devices) else "CPU"
