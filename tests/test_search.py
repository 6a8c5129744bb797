"""The search over the whole picture: the head comes first, on the right side only."""

import math

import pytest

from tests.hip_pictures import cloud, hip
from tracker.phantom import Scene
from tracker.search import GREATEST_SCORE, find_heads
from tracker.values import Side

SCENES = (
    Scene(),
    Scene(side="left", bone_bright=False, head_radius_mm=25.0, bones=3),
    Scene(size_px=768, mm_per_px=0.18, lcea_deg=36.0, turn_deg=6.0, bones=7),
    Scene(side="left", noise=0.04, gamma=1.3, turn_deg=-5.0, tilt_deg=3.0, bones=11),
)


@pytest.mark.parametrize("scene", SCENES)
def test_the_head_comes_first(scene: Scene) -> None:
    picture, truth = hip(scene)
    found = find_heads(picture, scene.side)
    scores = [candidate.score for candidate in found]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] <= GREATEST_SCORE + 1e-5
    assert math.dist(found[0].centre_px, truth.centre_px) * truth.mm_per_px < 4.0
    assert found[0].radius_px * truth.mm_per_px == pytest.approx(scene.head_radius_mm, rel=0.15)


@pytest.mark.parametrize("scene", SCENES)
def test_a_hip_scores_less_as_one_of_the_other_side(scene: Scene) -> None:
    picture, _ = hip(scene)
    other: Side = "left" if scene.side == "right" else "right"
    assert find_heads(picture, scene.side)[0].score > find_heads(picture, other)[0].score + 0.2


def test_clouds_score_less_than_hips() -> None:
    least = min(find_heads(hip(scene)[0], scene.side)[0].score for scene in SCENES)
    clouds = [
        find_heads(cloud(seed, grain), "left")[0].score for seed, grain in enumerate((0, 3, 8))
    ]
    assert max(clouds) < least
