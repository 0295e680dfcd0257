"""How heavy the sheets of an act are, as its page says it above the button."""

from __future__ import annotations

from jobs.core.words import Say
from materials.core.weight import lifting_words, sheet_weight
from materials.models import Product


def weight_of(product: Product, sheets: int) -> Say:
    """Return how heavy a sheet of a product and a stack of so many are."""
    is_backed = product.kind == Product.Kind.BACKED
    width, height = product.sheet_w_nm, product.sheet_h_nm
    weight = sheet_weight(
        width_nm=width, height_nm=height, thickness_nm=product.thickness_nm, is_backed=is_backed
    )
    return lifting_words(weight, width_nm=width, height_nm=height, is_backed=is_backed, sheets=sheets)
