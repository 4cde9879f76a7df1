"""Small helpers around Blender's data: images from arrays, meshes from arrays, mask classes of materials.

The exact mask of a photo is a second render by the same camera in which every material is swapped for flat
emission of three numbers: class, part, aux. A material states them once: :func:`set_class` for the whole
surface, or :func:`set_class_image` with a picture in UV space when the regions are painted.
"""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from sample_images.subject import CLASSES


def image_from_array(name: str, rgb: NDArray[Any], color: bool = True) -> bpy.types.Image:
    """Make a Blender image.

    Parameters
    ----------
    rgb
        (H, W, 3) or (H, W) float array. Row 0 is the top (v = 1). For ``color`` images the values are LINEAR
        reflectance; they are stored as float, so nothing is rounded. For data images: plain numbers.
    """
    data = np.asarray(rgb, np.float32)
    if data.ndim == 2:
        data = np.repeat(data[..., None], 3, axis=2)
    h, w = data.shape[:2]
    image = bpy.data.images.new(name, width=w, height=h, float_buffer=True, alpha=False)
    image.colorspace_settings.name = "Linear Rec.709" if color else "Non-Color"
    rgba = np.ones((h, w, 4), np.float32)
    rgba[..., :3] = data[..., :3]
    image.pixels.foreach_set(rgba[::-1].ravel())
    image.update()
    return image


def swap_image(name: str, rgb: NDArray[Any], color: bool = True) -> None:
    """Put another picture wherever the image of this name is used; see :func:`image_from_array`.

    A new image takes the old one's place: a render that keeps its scene would not notice new pixels in the
    old one.
    """
    old = bpy.data.images[name]
    users = [
        node
        for material in bpy.data.materials
        if material.node_tree is not None
        for node in material.node_tree.nodes
        if node.bl_idname == "ShaderNodeTexImage" and node.image == old
    ]
    bpy.data.images.remove(old)
    new = image_from_array(name, rgb, color)
    for node in users:
        node.image = new


def ids_picture(ids: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return mask numbers (class, part, aux) as the data image that :func:`set_class_image` keeps."""
    return np.asarray(ids, np.float32) / 255.0


def mesh_object(
    name: str,
    vertices: NDArray[Any],
    faces: Any,
    uvs: NDArray[Any] | None = None,
    material: bpy.types.Material | None = None,
    smooth: bool = True,
) -> bpy.types.Object:
    """Make and link a mesh object.

    Parameters
    ----------
    vertices
        (N, 3) in cm.
    faces
        (M, 3|4) integer array or list of index tuples.
    uvs
        (N, 2) per vertex, or (number of face corners, 2) per corner.
    """
    mesh = bpy.data.meshes.new(name)
    face_list = faces.tolist() if isinstance(faces, np.ndarray) else list(faces)
    mesh.from_pydata(np.asarray(vertices, float).tolist(), [], face_list)
    if uvs is not None:
        layer = mesh.uv_layers.new(name="UVMap")
        uvs = np.asarray(uvs, np.float32)
        loops = np.empty(len(mesh.loops), np.int32)
        mesh.loops.foreach_get("vertex_index", loops)
        corner = uvs if len(uvs) == len(loops) and len(uvs) != len(vertices) else uvs[loops]
        layer.data.foreach_set("uv", corner.ravel())
    mesh.update()
    if smooth:
        mesh.polygons.foreach_set("use_smooth", np.ones(len(mesh.polygons), bool))
    obj = bpy.data.objects.new(name, mesh)
    if material is not None:
        mesh.materials.append(material)
    bpy.context.scene.collection.objects.link(obj)
    return obj


def grid_object(
    name: str,
    points: NDArray[Any],
    material: bpy.types.Material | None = None,
    wrap_u: bool = False,
    flip: bool = False,
) -> bpy.types.Object:
    """Make a mesh from a (rows, columns, 3) grid of points; UV: u along columns, v = 1 at row 0.

    With ``wrap_u`` the last column is joined to the first (UV handled per corner, no seam smear).
    """
    rows, columns = points.shape[:2]
    span = columns if wrap_u else columns - 1
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(span), indexing="ij")
    r, c = r.ravel(), c.ravel()
    nxt = (c + 1) % columns
    faces = np.stack([r * columns + c, (r + 1) * columns + c, (r + 1) * columns + nxt, r * columns + nxt], 1)
    cu = np.stack([c, c, c + 1, c + 1], 1) / span
    cv = 1.0 - np.stack([r, r + 1, r + 1, r], 1) / (rows - 1)
    if flip:
        faces, cu, cv = faces[:, ::-1], cu[:, ::-1], cv[:, ::-1]
    uv = np.stack([cu.ravel(), cv.ravel()], 1)
    return mesh_object(name, points.reshape(-1, 3), faces, uv, material)


def set_class(material: bpy.types.Material, name: str, part: int = 0, aux: int = 0) -> bpy.types.Material:
    """State the mask class (and part and aux number, 0–255) of a whole material; returns the material."""
    material["class_id"] = CLASSES[name]
    material["part_id"] = int(part)
    material["aux_id"] = int(aux)
    return material


def set_class_image(material: bpy.types.Material, ids: NDArray[np.uint8]) -> bpy.types.Material:
    """State mask classes by a picture in the object's ``UVMap``.

    Parameters
    ----------
    ids
        (H, W, 3) uint8: class, part, aux; row 0 is v = 1. Sampled with the nearest neighbour.
    """
    image = image_from_array(f"{material.name}.ids", ids_picture(ids), color=False)
    material["class_image"] = image.name
    return material
