"""A reader for the tests: as quick as can be, with faults on demand, in the page's own processes.

A photo's name says what happens to it: ``hang`` never ends, ``die`` kills its process, ``slow`` takes a
second, anything with ``face`` shows lips, everything else two soles. A hole is as large as the outline of its
sole, and open if that is large.
"""

import os
import time

from pipelines.examine import PhotoRecord
from pipelines.review import reader
from vision.errors import PhotoError
from vision.locate.places import ViewPlace
from vision.traits import Quantity, Region, TextLine, Trait, TraitRecord, View

OPEN_FROM = 100.0


def serve(connection):
    """Stand in for :func:`pipelines.review.reader.serve`."""
    reader.read = read
    reader.warm = lambda *, tell: None
    reader.serve(connection)


def read(source, said, first, *, tell):
    try:
        photo = reader._photo(source).photo
    except PhotoError as error:
        return PhotoRecord.failed(source.name, error.reason, str(error))
    if "hang" in source.name:
        time.sleep(1000)
    if "die" in source.name:
        os._exit(1)
    if "slow" in source.name:
        time.sleep(1)
    width, height = photo.width, photo.height
    if "face" in source.name:
        places, traits = _face(width, height, said)
        view = View.FACE
    else:
        places, traits = _soles(width, height, said)
        view = View.SOLES
    return PhotoRecord(
        source.name,
        sha256=photo.sha256,
        width_px=width,
        height_px=height,
        view=ViewPlace(said.view or view, 0.95, {str(view): 0.95}),
        traits=traits,
        steps=photo.steps,
        places=places,
    )


def _face(width, height, said):
    lips = Region.box(0.4 * width, 0.6 * height, 0.6 * width, 0.7 * height)
    lips = said.places.get("lips", lips)
    mark = TextLine("<img src=x onerror=alert(1)>", 0.8, ())
    traits = (
        TraitRecord.stated(
            Trait.LIP_PAINT, "full", 0.9, "stub/1", candidates={"full": 0.9}, region=lips, n_pixels=10
        ),
        TraitRecord.stated(
            Trait.MARK_TEXT, "present", 0.7, "stub/1", candidates={"present": 0.7}, text=(mark,)
        ),
    )
    if "lips" in said.absent:
        return {}, traits[1:]
    return {"lips": lips}, traits


def _soles(width, height, said):
    places, traits = {}, []
    for side, x in (("left", 0.3), ("right", 0.7)):
        found = Region.box((x - 0.1) * width, 0.3 * height, (x + 0.1) * width, 0.8 * height)
        region = said.places.get(f"{side}_sole", found)
        if f"{side}_sole" in said.absent:
            continue
        places[f"{side}_sole"] = region
        x0, _, x1, _ = region.bounds
        state = "open" if x1 - x0 >= OPEN_FROM else "none"
        traits.append(
            TraitRecord.stated(
                Trait.FOOT_HOLES,
                state,
                0.93,
                "stub/1",
                candidates={state: 0.93},
                quantities={"diameter_px": Quantity(x1 - x0, 1.0, "px")},
                region=region,
                n_pixels=100,
                part=f"{side}_foot",
            )
        )
    return places, tuple(traits)
