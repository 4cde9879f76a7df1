"""What a step changed: readings and releases before and after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pipelines import words
from pipelines.dossier import HANDS_ON
from pipelines.guide import TraitSpec
from pipelines.listing import ListingResult

#: A probability that moves by less is not worth an arrow.
_WORTH_SAYING = 0.005


@dataclass(frozen=True, slots=True)
class Standing:
    """How a doll stood: headline, probability of each release, each finding in words."""

    headline: str = ""
    releases: Mapping[str, float] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    readings: Mapping[tuple[str, str], str] = field(default_factory=dict)

    @classmethod
    def of(cls, result: ListingResult | None) -> Standing:
        """Return the standing of a result; an empty one of none."""
        if result is None:
            return cls()
        return cls(
            result.verdict.headline,
            {release.id: release.posterior for release in result.verdict.releases},
            {release.id: release.label for release in result.verdict.releases},
            {
                (
                    words.title(merged.trait, merged.part, result.guide.traits.get(merged.trait)),
                    "by hand" if merged.source == HANDS_ON else "",
                ): _in_words(merged.record, result.guide.traits.get(merged.trait))
                for merged in result.dossier.traits
            },
        )


def _in_words(record: Any, spec: TraitSpec | None) -> str:
    numbers = words.numbers(record)
    return " · ".join([words.finding(record, spec), *numbers[:1]])


@dataclass(frozen=True, slots=True)
class Changes:
    """What is different after a step; ``before`` is how things stood then."""

    label: str
    before: Standing
    headline: bool
    releases: tuple[tuple[str, str, float, float], ...]
    readings: tuple[tuple[str, str, str], ...]

    @classmethod
    def between(cls, label: str, before: Standing, after: Standing) -> Changes:
        """Compare two standings."""
        releases = tuple(
            (id_, after.labels[id_], before.releases[id_], p)
            for id_, p in after.releases.items()
            if id_ in before.releases and abs(p - before.releases[id_]) >= _WORTH_SAYING
        )
        titles = dict.fromkeys((*before.readings, *after.readings))
        readings = tuple(
            (
                f"{title} ({source})" if source else title,
                before.readings.get((title, source), ""),
                after.readings.get((title, source), ""),
            )
            for title, source in titles
            if before.readings.get((title, source)) != after.readings.get((title, source))
        )
        return cls(
            label, before, bool(before.headline) and before.headline != after.headline, releases, readings
        )

    def to_json(self) -> dict[str, Any]:
        """Return what the page shows."""
        return {
            "label": self.label,
            "headline_before": self.before.headline if self.headline else "",
            "releases": [
                {"id": id_, "label": label, "before": round(before, 4), "after": round(after, 4)}
                for id_, label, before, after in self.releases
            ],
            "readings": [{"title": t, "before": b, "after": a} for t, b, a in self.readings],
        }
