# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""The network's layers and loss (training only; needs PyTorch, which trayvision does not)."""

import torch
from torch import Tensor, nn
from torch.nn import functional

CLASSES = 7
SHOOT, MOULD, SLIME = 3, 4, 6
OUTPUTS = CLASSES + 4
# Channels at a half, a quarter, an eighth and a sixteenth of the resolution.
WIDTHS = (16, 32, 64, 96)
# Further convolutions at half the resolution, as many on the way down as on the way up. The second
# network has none; one finds more of the blades' edges in a third more time.
DETAIL = 0
# Targets beyond the classes: a pixel that is surely neither mould nor slime (of a photograph of
# who knows what), one that is surely neither shoot, mould nor slime but whose exact class means
# nothing (soil, a table), and one that must not count.
MOULDLESS, HARMLESS, IGNORE = 253, 254, 255
MOULDLESS_CLASSES = (0, 1, 2, 3, 5)
HARMLESS_CLASSES = (0, 1, 2, 5)


def convolution(channels_in: int, channels_out: int, *, size: int = 3) -> nn.Sequential:
    """Convolution, batch norm (folded away on export) and ReLU."""
    return nn.Sequential(
        nn.Conv2d(channels_in, channels_out, size, padding=size // 2, bias=False),
        nn.BatchNorm2d(channels_out),
        nn.ReLU(inplace=True),
    )


class Residual(nn.Module):
    """Two 3 x 3 convolutions around a skip."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.first = convolution(channels, channels)
        self.second = nn.Sequential(
            nn.Conv2d(channels, channels, 3, padding=1, bias=False), nn.BatchNorm2d(channels)
        )

    def forward(self, x: Tensor) -> Tensor:
        """(n, channels, h, w) to the same."""
        return functional.relu(x + self.second(self.first(x)))


class TrayNet(nn.Module):
    """RGB 0 to 255 (n, 3, h, w), sides divisible by 16 -> (n, 11, h/2, w/2).

    A U-Net that starts at half resolution: a 2 x 2 stem keeps every pixel's colour in its
    channels. It shrinks by pooling and grows by repetition, since OpenCV runs plain 3 x 3
    convolutions three to five times faster than strided ones. Channels 0 to 6 are class
    logits of the 2 x 2 block; 7 to 10 are added to the shoot logit of its four pixels, in
    reading order.
    """

    def __init__(self, widths: tuple[int, int, int, int] = WIDTHS, detail: int = DETAIL) -> None:
        super().__init__()
        w1, w2, w3, w4 = widths
        self.stem = nn.Sequential(
            nn.Conv2d(3, w1, 2, stride=2, bias=False), nn.BatchNorm2d(w1), nn.ReLU(inplace=True)
        )
        self.enter1 = nn.Sequential(*[convolution(w1, w1) for _ in range(detail)])
        self.down2 = nn.Sequential(convolution(w1, w2), Residual(w2))
        self.down3 = nn.Sequential(convolution(w2, w3), Residual(w3))
        self.down4 = nn.Sequential(convolution(w3, w4), Residual(w4), Residual(w4))
        self.across3, self.up3 = _projection(w4, w3), convolution(w3, w3)
        self.across2, self.up2 = _projection(w3, w2), convolution(w2, w2)
        self.across1 = _projection(w2, w1)
        self.up1 = nn.Sequential(*[convolution(w1, w1) for _ in range(1 + detail)])
        self.head = nn.Conv2d(w1, OUTPUTS, 1)

    def forward(self, rgb: Tensor) -> Tensor:
        """Outputs of a batch of pictures."""
        level1 = self.enter1(self.stem(rgb))
        level2 = self.down2(functional.max_pool2d(level1, 2))
        level3 = self.down3(functional.max_pool2d(level2, 2))
        level4 = self.down4(functional.max_pool2d(level3, 2))
        level3 = self.up3(functional.relu(level3 + _twice(self.across3(level4))))
        level2 = self.up2(functional.relu(level2 + _twice(self.across2(level3))))
        level1 = self.up1(functional.relu(level1 + _twice(self.across1(level2))))
        return self.head(level1)


def _projection(channels_in: int, channels_out: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(channels_in, channels_out, 1, bias=False), nn.BatchNorm2d(channels_out)
    )


def _twice(x: Tensor) -> Tensor:
    return functional.interpolate(x, scale_factor=2, mode="nearest")


def full_resolution_logits(outputs: Tensor) -> Tensor:
    """(n, 11, h/2, w/2) network outputs -> (n, 7, h, w) class logits."""
    logits = _twice(outputs[:, :CLASSES])
    shoot = logits[:, SHOOT : SHOOT + 1] + functional.pixel_shuffle(outputs[:, CLASSES:], 2)
    return torch.cat([logits[:, :SHOOT], shoot, logits[:, SHOOT + 1 :]], 1)


def segmentation_loss(logits: Tensor, target: Tensor, class_weights: Tensor) -> Tensor:
    """Weighted cross entropy plus soft Dice of shoot and mould.

    Parameters
    ----------
    logits : (n, 7, h, w)
    target : (n, h, w) int64
        A class, `HARMLESS` (any of `HARMLESS_CLASSES` is right), `MOULDLESS` (any of
        `MOULDLESS_CLASSES`) or `IGNORE`.
    class_weights : (7,)
    """
    logp = functional.log_softmax(logits, 1)
    exact = target < CLASSES
    index = target.clamp(max=CLASSES - 1)
    weight = class_weights[index] * exact
    entropy = -(logp.gather(1, index[:, None])[:, 0] * weight).sum()
    harmless = target == HARMLESS
    any_harmless = torch.logsumexp(logp[:, list(HARMLESS_CLASSES)], 1)
    entropy = entropy - (any_harmless * harmless).sum()
    mouldless = target == MOULDLESS
    any_mouldless = torch.logsumexp(logp[:, list(MOULDLESS_CLASSES)], 1)
    entropy = entropy - (any_mouldless * mouldless).sum()
    loss = entropy / (weight.sum() + harmless.sum() + mouldless.sum() + 1)
    known = exact | harmless
    for label, share, counted in ((SHOOT, 0.5, known), (MOULD, 0.5, known | mouldless)):
        p = logp[:, label].exp() * counted
        truth = (target == label).float()
        dice = (2 * (p * truth).sum() + 500) / (p.sum() + truth.sum() + 500)
        loss = loss + share * (1 - dice)
    return loss
