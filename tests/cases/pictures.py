"""Figures as pixels, to see that something is drawn."""

import io
import warnings

import numpy as np
from PIL import Image


def pixels(figure) -> np.ndarray:
    """Grey values of a figure, 0 black to 255 white."""
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(buffer, format="png", dpi=150)
    return np.asarray(Image.open(buffer).convert("L"), float)
