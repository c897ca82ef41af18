"""Whether what was found stands up, by parallax between all pairs of photos that show the stretch."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence

import numpy as np

from sillwright.camera import Array
from sillwright.measure.search import Search
from sillwright.see.parallax import Agreement, Parallax, agreement, agreements_along
from sillwright.solve.axis import AxisFit

MOST_HELD = 24  # maps of pairs; shapes are looked at along the run, so that old ones are not asked for again
LEAST_APART_MM = 100.0  # camera to camera: from 1.2 m the end of a 100 mm bolt then moves by 9 mm on the wall


class Lookout:
    """The photos of a run laid flat; pairs of them are compared once, when something is first looked at there."""

    def __init__(self, search: Search) -> None:
        self._poses = [task.view.pose for task in search.tasks]
        self._patches = [found.flat for found in search.searches]
        self._pairs: OrderedDict[tuple[int, int], Agreement | None] = OrderedDict()

    def look(self, fit: AxisFit, photos: Sequence[int]) -> Parallax:
        """What parallax says of a shape seen in some photos (indices), each held against every other photo."""
        values: list[Array] = [np.zeros(0)]
        for own in photos:
            for other in range(len(self._poses)):
                shared = self.shared(own, other) if own != other else None
                if shared is not None:
                    poses = self._poses[own], self._poses[other]
                    values.append(agreements_along(shared, *poses, fit.base_mm, fit.tip_mm, float(fit.parameters[5])))
        return Parallax.of(np.concatenate(values))

    def shared(self, one: int, other: int) -> Agreement | None:
        """How far two photos (indices) agree, the first being the lesser; None where they tell nothing together."""
        pair = (min(one, other), max(one, other))
        first, second = pair
        if np.linalg.norm(self._poses[first].centre_mm - self._poses[second].centre_mm) < LEAST_APART_MM:
            return None
        if pair not in self._pairs:
            self._pairs[pair] = agreement(self._patches[first], self._patches[second])
            if len(self._pairs) > MOST_HELD:
                self._pairs.popitem(last=False)
        return self._pairs[pair]
