"""What materials stores: products and needs, orders, and the facts of deliveries and sheets."""

from materials.models.deliveries import Arrival, ArrivalPromise, Dispatch, DispatchLine
from materials.models.needs import ConsumableNeed, Order, OrderLine, Product, Requirement
from materials.models.sheets import (
    ConsumableLot,
    DefectKind,
    Inspection,
    MixAcknowledged,
    Opening,
    Placement,
    Reject,
)

__all__ = [
    "Arrival",
    "ArrivalPromise",
    "ConsumableLot",
    "ConsumableNeed",
    "DefectKind",
    "Dispatch",
    "DispatchLine",
    "Inspection",
    "MixAcknowledged",
    "Opening",
    "Order",
    "OrderLine",
    "Placement",
    "Product",
    "Reject",
    "Requirement",
]
