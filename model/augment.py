"""Photometric variety for training batches, in torch: what other phones, light and weather do to a photo.

Strengths err on the strong side: the model is measured on cameras, plastics and light it has never seen.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

UNTOUCHED = 0.2
"""Share of photos that stay as they are: what is learnt from harder ones must hold for plain ones too."""


class Photometric:
    """Callable on Bx3xHxW float RGB 0..1; every photo of the batch gets its own draw."""

    def __init__(self, generator: torch.Generator, strength: float = 1.0) -> None:
        self.generator = generator
        self.strength = strength

    def __call__(self, batch: Tensor) -> Tensor:
        """Return the batch as another phone might have taken it, clamped to 0..1."""
        steps = (
            (0.12, self._texture),
            (0.85, self._tone),
            (0.85, self._colour),
            (0.35, self._light_patch),
            (0.30, self._soften),
            (0.30, self._coarsen),
            (0.25, self._sharpen),
            (0.50, self._noise),
            (0.20, self._haze),
            (0.25, self._cover),
        )
        touched = self._uniform(len(batch), 0, 1, batch.device) >= UNTOUCHED
        for share, step in steps:
            drawn = self._uniform(len(batch), 0, 1, batch.device) < share
            chosen = torch.nonzero(drawn & touched).flatten()
            if len(chosen):
                batch = batch.index_copy(0, chosen, step(batch[chosen]).clamp(0, 1))
        return batch

    def together(self, views: Tensor, closes: Tensor) -> tuple[Tensor, Tensor]:
        """Return views (B,3,S,S) and their close-ups (B,T,3,C,C) changed alike, as they are of one photo."""
        side, small, tiles = views.shape[-1], closes.shape[-1], closes.shape[1]
        across = side // small
        rows = -(-tiles // across)
        sheet = views.new_full((len(views), 3, side + rows * small, side), 0.5)
        sheet[:, :, :side] = views
        places = [(side + small * (n // across), small * (n % across)) for n in range(tiles)]
        for number, (top, left) in enumerate(places):
            sheet[:, :, top : top + small, left : left + small] = closes[:, number]
        sheet = self(sheet)
        changed = [sheet[:, :, top : top + small, left : left + small] for top, left in places]
        return sheet[:, :, :side], torch.stack(changed, dim=1)

    def _uniform(self, count: int, low: float, high: float, device: torch.device) -> Tensor:
        draw = torch.rand(count, generator=self.generator, device=self.generator.device).to(device)
        return low + (high - low) * draw

    def _each(self, batch: Tensor, low: float, high: float) -> Tensor:
        return self._uniform(len(batch), low, high, batch.device).view(-1, 1, 1, 1)

    def _gauss(self, shape: tuple[int, ...], device: torch.device) -> Tensor:
        return torch.randn(shape, generator=self.generator, device=self.generator.device).to(device)

    def _texture(self, x: Tensor) -> Tensor:
        """Other surfaces and colours on the same shapes: a random small convolution of all channels, mixed
        with the photo (Xu et al. 2021, arXiv 2007.13003; cited from memory)."""
        count, channels, high, wide = x.shape
        side = (1, 3, 5)[int(self._uniform(1, 0, 3, x.device).clamp(max=2))]
        kernel = self._gauss((count * channels, channels, side, side), x.device)
        rows = functional.pad(x, (side // 2,) * 4, mode="reflect").flatten(0, 1)[None]
        made = functional.conv2d(rows, kernel, groups=count).view(count, channels, high, wide)
        mean, spread = made.mean((2, 3), keepdim=True), made.std((2, 3), keepdim=True).clamp(min=1e-4)
        made = (made - mean) / spread * x.std((2, 3), keepdim=True) + x.mean((2, 3), keepdim=True)
        return torch.lerp(x, made, self._each(x, 0.1, 0.8))

    def _tone(self, x: Tensor) -> Tensor:
        """Exposure, gamma, contrast, and a bent curve."""
        s = self.strength
        x = x * torch.exp(self._each(x, -0.6 * s, 0.5 * s))
        x = x.clamp(1e-4, 1.0) ** torch.exp(self._each(x, -0.4 * s, 0.4 * s))
        mean = x.mean((1, 2, 3), keepdim=True)
        x = (x - mean) * self._each(x, 1 - 0.4 * s, 1 + 0.4 * s) + mean
        return x + self._each(x, -0.12 * s, 0.12 * s) * torch.sin(6.2832 * x.clamp(0, 1))

    def _colour(self, x: Tensor) -> Tensor:
        """White balance, saturation, hue turn; sometimes no colour or swapped channels."""
        s = self.strength
        gain = torch.exp(0.18 * s * self._gauss((len(x), 3, 1, 1), x.device))
        x = x * gain / gain.mean(1, keepdim=True)
        grey = x.mean(1, keepdim=True)
        x = grey + (x - grey) * self._each(x, 0.2, 1.7)
        matrix = torch.eye(3, device=x.device) + 0.08 * s * self._gauss((len(x), 3, 3), x.device)
        x = torch.einsum("bij,bjhw->bihw", matrix / matrix.sum(2, keepdim=True).clamp(min=0.3), x)
        order = torch.randperm(3, generator=self.generator, device=self.generator.device).to(x.device)
        swapped = x[:, order]
        pick = self._each(x, 0, 1)
        x = torch.where(pick < 0.08, swapped, x)
        return torch.where(pick > 0.90, x.mean(1, keepdim=True).expand_as(x), x)

    def _field(self, x: Tensor, cells: int) -> Tensor:
        coarse = self._gauss((len(x), 1, cells, cells), x.device)
        return functional.interpolate(coarse, size=x.shape[-2:], mode="bicubic", align_corners=False)

    def _light_patch(self, x: Tensor) -> Tensor:
        """A soft or hard-edged shadow or a bright patch across the view."""
        edge = torch.exp(self._each(x, 0.0, 4.0))
        mask = torch.sigmoid(self._field(x, 3) * edge * 2)
        return x * (1 + mask * self._each(x, -0.65, 0.6))

    def _soften(self, x: Tensor) -> Tensor:
        """Blur of one random width for the batch, blended by photo."""
        sigma = float(self._uniform(1, 0.5, 1.6, x.device))
        return torch.lerp(x, _gaussian(x, sigma), self._each(x, 0.3, 1.0))

    def _coarsen(self, x: Tensor) -> Tensor:
        """Fewer pixels, as from a photo taken too far away or sent through a messenger."""
        factor = float(self._uniform(1, 0.4, 0.85, x.device))
        small = functional.interpolate(x, scale_factor=factor, mode="bilinear", antialias=True)
        return functional.interpolate(small, size=x.shape[-2:], mode="bilinear", align_corners=False)

    def _sharpen(self, x: Tensor) -> Tensor:
        return x + (x - _gaussian(x, 1.2)) * self._each(x, 0.2, 1.6)

    def _noise(self, x: Tensor) -> Tensor:
        """Fine and blotchy noise, partly in colour."""
        fine = self._gauss(tuple(x.shape), x.device)
        fine = torch.lerp(fine, fine.mean(1, keepdim=True), self._each(x, 0, 1))
        blotch = functional.interpolate(
            self._gauss((len(x), 3, x.shape[2] // 3, x.shape[3] // 3), x.device),
            size=x.shape[-2:],
            mode="bilinear",
        )
        return x + self._each(x, 0, 0.045) * fine + self._each(x, 0, 0.03) * blotch

    def _haze(self, x: Tensor) -> Tensor:
        """A smudged or flared lens: contrast lost towards a light colour."""
        colour = 0.4 + 0.6 * self._uniform(3 * len(x), 0, 1, x.device).view(-1, 3, 1, 1)
        return torch.lerp(x, colour.expand_as(x), self._each(x, 0, 0.35) * torch.sigmoid(self._field(x, 2)))

    def _cover(self, x: Tensor) -> Tensor:
        """A thin smear or stain in any colour: colour alone must never decide."""
        colour = self._uniform(3 * len(x), 0, 1, x.device).view(-1, 3, 1, 1) ** 1.5
        mask = torch.sigmoid((self._field(x, 7) - self._each(x, 0.6, 1.8)) * 6)
        return torch.lerp(x, colour.expand_as(x), mask * self._each(x, 0.15, 0.75))


def _gaussian(x: Tensor, sigma: float) -> Tensor:
    radius = max(1, int(3 * sigma))
    offsets = torch.arange(-radius, radius + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-0.5 * (offsets / sigma) ** 2)
    kernel = (kernel / kernel.sum()).expand(x.shape[1], 1, -1)
    x = functional.pad(x, (radius,) * 4, mode="reflect")
    x = functional.conv2d(x, kernel.unsqueeze(2), groups=x.shape[1])
    return functional.conv2d(x, kernel.unsqueeze(3), groups=x.shape[1])
