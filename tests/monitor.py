"""A made-up monitor of a C-arm, filmed: exposures held, live movement, menus, and noise between."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker import images

WIDTH, HEIGHT, SIDE, RATE = 720, 576, 512, 10
DEMO = Path(__file__).resolve().parents[1] / "demo_frames" / "case"
Grey = NDArray[np.float32]


def exposure(number: int) -> Grey:
    """The middle of a demo picture, grey levels 0 … 255."""
    path = DEMO / f"{number:03d}.png"
    still = images.decode(path.read_bytes(), path.name)
    edge = (still.grey.shape[0] - SIDE) // 2
    return still.grey[edge : edge + SIDE, edge : edge + SIDE] * np.float32(255)


def another(grey: Grey, seed: int) -> Grey:
    """Another exposure of the same unmoved hip: the grain is new, nothing else."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    grain = np.random.default_rng(seed).normal(0, 3, grey.shape)
    return (smooth + grain).astype(np.float32)


def colour_menu() -> Grey:
    """A page of buttons and text, one of them red."""
    page = np.full((HEIGHT, WIDTH, 3), 60, np.uint8)
    for row in range(5):
        cv2.rectangle(page, (80, 60 + 90 * row), (640, 120 + 90 * row), (90, 140, 200), -1)
        cv2.putText(page, f"Menu {row}", (100, 100 + 90 * row), 0, 1.0, (255, 255, 255), 2)
    return page.astype(np.float32)


def grey_menu() -> Grey:
    """A page like it in grey."""
    page: Grey = colour_menu().mean(axis=2)
    return page


@dataclass
class Film:
    """Scenes one after another, and the exposures among them that should be taken."""

    seed: int = 5
    scenes: list[tuple[Callable[[int], Grey], int]] = field(default_factory=list)
    wanted: list[Grey] = field(default_factory=list)

    def add(self, scene: Callable[[int], Grey], seconds: float) -> None:
        self.scenes.append((scene, round(seconds * RATE)))

    def hold(self, grey: Grey, seconds: float = 1.6, *, wanted: bool) -> None:
        self.add(lambda _: screen(grey), seconds)
        if wanted:
            self.wanted.append(grey)

    def frames(self) -> Iterator[NDArray[np.uint8]]:
        """Every frame in colour, with the noise of the cable."""
        chance = np.random.default_rng(self.seed)
        for scene, count in self.scenes:
            for index in range(count):
                shown = scene(index)
                if shown.ndim == 2:
                    shown = np.repeat(shown[:, :, None], 3, axis=2)
                noise = chance.normal(0, 1.0, shown.shape[:2])[:, :, None]
                yield np.clip(np.rint(shown + noise), 0, 255).astype(np.uint8)

    def write(self, path: Path, codec: str) -> Path:
        writer = cv2.VideoWriter(
            str(path), cv2.VideoWriter.fourcc(*codec), RATE, (WIDTH, HEIGHT), True
        )
        assert writer.isOpened(), f"no encoder for {codec}"
        for frame in self.frames():
            writer.write(frame)
        writer.release()
        return path


def screen(grey: Grey, clock: int | None = None) -> Grey:
    """The monitor: the exposure in the middle, text beside it, a clock that may run."""
    text = np.zeros((HEIGHT, WIDTH), np.uint8)
    cv2.putText(text, "70 kV", (8, 40), 0, 0.6, 255.0, 1)
    if clock is not None:
        cv2.putText(text, f"12:00:{clock:02d}", (8, 540), 0, 0.5, 255.0, 1)
    page = text.astype(np.float32)
    top, left = (HEIGHT - SIDE) // 2, (WIDTH - SIDE) // 2
    page[top : top + SIDE, left : left + SIDE] = grey
    return page


def live(grey: Grey, seed: int) -> Callable[[int], Grey]:
    """Fluoroscopy: the hip moves past, with much quantum noise."""
    chance = np.random.default_rng(seed)

    def scene(index: int) -> Grey:
        moved = np.roll(grey, 4 * index, axis=1)
        return screen((moved + chance.normal(0, 12, moved.shape)).astype(np.float32))

    return scene


def still_live(grey: Grey, seed: int) -> Callable[[int], Grey]:
    """Fluoroscopy of a hip that nobody moves: only the noise is new in each frame."""
    chance = np.random.default_rng(seed)
    return lambda _: screen((grey + chance.normal(0, 8, grey.shape)).astype(np.float32))


def noise(seed: int) -> Callable[[int], Grey]:
    """No signal."""
    chance = np.random.default_rng(seed)
    return lambda _: chance.uniform(0, 255, (HEIGHT, WIDTH)).astype(np.float32)


def whole_film() -> Film:
    """Everything that a monitor shows during a case, in a minute."""
    film = Film()
    first, second, third, fourth = (exposure(number) for number in (0, 1, 3, 4))
    film.add(noise(1), 1.0)
    film.hold(first, wanted=True)
    film.add(live(first, 2), 1.5)
    film.hold(second, wanted=True)
    film.add(lambda _: colour_menu(), 1.6)
    film.hold(second, wanted=False)
    film.add(lambda _: grey_menu(), 1.6)
    half = second.copy()
    half[:, : SIDE // 2] = 90.0
    film.hold(half, wanted=False)
    film.hold(first, wanted=False)
    film.add(still_live(third, 3), 1.5)
    film.add(lambda index: screen(third, clock=index // 10), 2.0)
    film.wanted.append(third)
    film.hold(third * np.float32(0.8) + 20, wanted=False)
    film.add(lambda _: np.zeros((HEIGHT, WIDTH), np.float32), 1.6)
    film.hold(another(third, 4), wanted=True)
    film.hold(another(third, 5), wanted=True)
    film.add(noise(6), 0.5)
    film.hold(fourth, 0.4, wanted=False)
    film.add(live(fourth, 7), 1.0)
    film.hold(fourth, wanted=True)
    return film
