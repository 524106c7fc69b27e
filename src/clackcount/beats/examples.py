"""Moments taken as examples: how alike every other moment is to each of the strongest in a passage.

A slam that is loud in no single band may still be like its fellows over all of them. Which moment is a slam is not
known yet, so each of the strongest is tried in turn, and the rhythm tells which of them has company; or, where slams
stand out, their sound alone does, whatever the rhythm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.template import (
    PEAK_REACH,
    SAME_REACH,
    Frames,
    distance,
    local_maxima,
    middle_and_upper,
    whitening,
)
from clackcount.middle import median

# more find hardly more, and cost; figures in docs/listening.md
EXAMPLES = 96
INDEPENDENCE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Examples:
    """The strongest moments of a passage and what is like them.

    plain: float32 (n_frames, n_dimensions), the rises as uncorrelated deviations. alike: float32 (n_frames,
    n_examples), how alike each frame is to each of the strongest moments, not below 0: the scalar product with the
    example, that of length 1.
    """

    plain: NDArray[np.float32]
    alike: NDArray[np.float32]

    @classmethod
    def of(cls, rises: NDArray[np.float32]) -> Examples:
        """The examples of a passage, rises float32 (n_frames, n_bands, n_spans).

        Pairs of bands and the mean over all spans: a single example in many dimensions would be mostly its own noise.
        """
        pairs = rises.shape[1] // 2
        rise = rises.mean(axis=2)
        feature = rise[:, 0 : 2 * pairs : 2] + rise[:, 1 : 2 * pairs : 2]
        feature -= feature.mean(axis=0)
        _variance, whiten = whitening(feature.T @ feature / np.float32(len(feature)), INDEPENDENCE)
        plain = feature @ whiten
        # a moment at which the bands fall is the end of something
        length = np.where(feature.sum(axis=1) > 0, np.linalg.norm(plain, axis=1), 0.0)
        peaks = local_maxima(length, PEAK_REACH)
        peaks = peaks[length[peaks] > 0]
        strongest = peaks[np.argsort(-length[peaks], kind="stable")[:EXAMPLES]]
        example = plain[strongest] / length[strongest, None].astype(np.float32)
        return cls(plain, np.maximum(plain @ example.T, 0))

    def families(self, fewest: int, most: int) -> list[Frames]:
        """Moments that sound alike and unlike the rest, fewest to most in number; the families that stand out most.

        Half as like the example as it is itself, to begin with, and then half as like their mean as is usual among
        them. No two families share half of their members.
        """
        found: list[tuple[float, Frames]] = []
        for score in map(np.ascontiguousarray, self.alike.T):
            peaks = local_maxima(score, PEAK_REACH)
            height = score[peaks]
            member = height > FAMILY_ALIKE * height.max()
            n = int(member.sum())
            if not fewest <= n <= most or n + OTHERS_MIN > len(peaks):
                continue
            middle, upper = middle_and_upper(height[~member])
            apart = float(height[member].mean() - middle) / max(float(upper - middle), 1e-9)
            found.append((float(np.sqrt(n)) * apart, peaks[member]))
        kept: list[Frames] = []
        for _stands_out, members in sorted(found, key=lambda one: -one[0]):
            if len(kept) < FAMILIES and all(np.mean(distance(members, other) <= SAME_REACH) < 0.5 for other in kept):
                kept.append(members)
        return [self._gathered(members) for members in kept]

    def _gathered(self, members: Frames) -> Frames:
        # one example is noisy, and many of its kin are no more like it than strangers
        for _ in range(GATHERINGS):
            score = self.plain @ self.plain[members].mean(axis=0)
            peaks = local_maxima(score, PEAK_REACH)
            members = peaks[score[peaks] > FAMILY_ALIKE * median(score[members])]
        return members


FAMILIES, FAMILY_ALIKE, GATHERINGS = 4, 0.5, 4
OTHERS_MIN = 10  # fewer other moments do not tell what the rest is like
