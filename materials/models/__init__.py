"""What materials stores: products and needs, orders, and the facts of deliveries and sheets."""

from materials.models.deliveries import Arrival, ArrivalPromise, Dispatch, DispatchLine
from materials.models.needs import ConsumableNeed, Order, OrderLine, Product, Requirement, RestOverride
from materials.models.sheets import (
    ConsumableLot,
    DefectKind,
    Inspection,
    MixAcknowledged,
    Opening,
    Placement,
    Reject,
)
from materials.models.stacks import AirRun, LaidOut, MoistureReading, StackReading

__all__ = [
    "AirRun",
    "Arrival",
    "ArrivalPromise",
    "ConsumableLot",
    "ConsumableNeed",
    "DefectKind",
    "Dispatch",
    "DispatchLine",
    "Inspection",
    "LaidOut",
    "MixAcknowledged",
    "MoistureReading",
    "Opening",
    "Order",
    "OrderLine",
    "Placement",
    "Product",
    "Reject",
    "Requirement",
    "RestOverride",
    "StackReading",
]
