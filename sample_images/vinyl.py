"""Materials: old vinyl, and a few plain ones."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np

from sample_images.blend import set_class


def plain(
    name: str,
    linear_rgb: Any,
    class_name: str,
    roughness: float = 0.5,
    metallic: float = 0.0,
    part: int = 0,
) -> bpy.types.Material:
    """Return a plain opaque material of one linear color with its mask class."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    bsdf = material.node_tree.nodes["Principled BSDF"]
    bsdf.inputs["Base Color"].default_value = (*map(float, linear_rgb), 1.0)
    bsdf.inputs["Roughness"].default_value = roughness
    bsdf.inputs["Metallic"].default_value = metallic
    return set_class(material, class_name, part)


def vinyl(
    name: str,
    linear_rgb: Any = None,
    image: bpy.types.Image | None = None,
    greasy: float = 0.0,
    roughness: float = 0.42,
    mottle: float = 0.05,
    grain: float = 1.0,
    subsurface: float = 0.25,
    seed: float = 0.0,
    class_name: str = "skin",
    part: int = 0,
    roughness_image: bpy.types.Image | None = None,
) -> bpy.types.Material:
    """Return doll vinyl.

    Parameters
    ----------
    linear_rgb, image
        Base color: one linear color, or a linear color image in the ``UVMap`` instead.
    greasy
        0 = dry matte skin, 1 = a wet-looking film of plasticizer (clear coat, smooth).
    mottle
        Relative amplitude of large soft lightness variation.
    grain
        Strength of the fine surface texture (bump, about 0.1–0.3 mm).
    subsurface
        Scattering weight; radius about 1 mm, red deepest.
    roughness_image
        Optional (non-color) image that replaces ``roughness``.
    """
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    tree = material.node_tree
    bsdf = tree.nodes["Principled BSDF"]
    bsdf.subsurface_method = "RANDOM_WALK"
    bsdf.inputs["Subsurface Weight"].default_value = subsurface
    bsdf.inputs["Subsurface Radius"].default_value = (1.0, 0.55, 0.35)
    bsdf.inputs["Subsurface Scale"].default_value = 0.1
    bsdf.inputs["IOR"].default_value = 1.5
    bsdf.inputs["Specular IOR Level"].default_value = 0.4
    bsdf.inputs["Roughness"].default_value = float(np.clip(roughness - 0.16 * greasy, 0.05, 1.0))
    bsdf.inputs["Coat Weight"].default_value = 0.75 * greasy
    bsdf.inputs["Coat Roughness"].default_value = 0.22 - 0.12 * greasy
    bsdf.inputs["Coat IOR"].default_value = 1.48

    coords = tree.nodes.new("ShaderNodeTexCoord")
    shift = tree.nodes.new("ShaderNodeMapping")
    shift.inputs["Location"].default_value = (seed, seed * 1.7, seed * 0.3)
    tree.links.new(coords.outputs["Object"], shift.inputs["Vector"])
    noise = tree.nodes.new("ShaderNodeTexNoise")
    noise.inputs["Scale"].default_value = 1.3
    noise.inputs["Detail"].default_value = 6.0
    tree.links.new(shift.outputs["Vector"], noise.inputs["Vector"])
    spread = tree.nodes.new("ShaderNodeMapRange")
    spread.inputs["From Min"].default_value, spread.inputs["From Max"].default_value = 0.3, 0.7
    spread.inputs["To Min"].default_value, spread.inputs["To Max"].default_value = 1 - mottle, 1 + mottle
    tree.links.new(noise.outputs["Fac"], spread.inputs["Value"])
    scaled = tree.nodes.new("ShaderNodeVectorMath")
    scaled.operation = "SCALE"
    if image is not None:
        texture = tree.nodes.new("ShaderNodeTexImage")
        texture.image = image
        texture.interpolation = "Linear"
        texture.extension = "EXTEND"
        tree.links.new(texture.outputs["Color"], scaled.inputs[0])
    else:
        scaled.inputs[0].default_value = tuple(map(float, linear_rgb))
    tree.links.new(spread.outputs["Result"], scaled.inputs["Scale"])
    tree.links.new(scaled.outputs["Vector"], bsdf.inputs["Base Color"])

    fine = tree.nodes.new("ShaderNodeTexNoise")
    fine.inputs["Scale"].default_value = 45.0
    fine.inputs["Detail"].default_value = 3.0
    tree.links.new(coords.outputs["Object"], fine.inputs["Vector"])
    bump = tree.nodes.new("ShaderNodeBump")
    bump.inputs["Strength"].default_value = 0.06 * grain
    bump.inputs["Distance"].default_value = 0.03
    tree.links.new(fine.outputs["Fac"], bump.inputs["Height"])
    tree.links.new(bump.outputs["Normal"], bsdf.inputs["Normal"])
    if roughness_image is not None:
        rough = tree.nodes.new("ShaderNodeTexImage")
        rough.image = roughness_image
        tree.links.new(rough.outputs["Color"], bsdf.inputs["Roughness"])
    return set_class(material, class_name, part)
