"""Path-traced photos of invented dolls, with the truth beside each.

An optional extra: only the scripts in this folder need Blender (``bpy``); the tool itself never does.
"""
