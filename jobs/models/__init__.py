"""What jobs stores: people and their rights, places, and the facts seen at them."""

from jobs.models.envelope import Change, Entry, Fact
from jobs.models.files import KeptFile
from jobs.models.loggers import (
    AirHour,
    LateAir,
    Logger,
    LoggerClock,
    LoggerHeard,
    LoggerMapping,
    ReadingConflict,
    ReadingFlag,
    SpentToken,
)
from jobs.models.outbox import Outbox, Pulse
from jobs.models.people import Access, Firm, Person, Right, Role, SignInLink
from jobs.models.places import Closure, Job, Milestone, Room, Site, Zone
from jobs.models.seen import (
    Memory,
    MilestoneReport,
    PrepCheck,
    Reading,
    ReadingFile,
    Statement,
    TemperatureUnit,
    Wetting,
)

__all__ = [
    "Access",
    "AirHour",
    "Change",
    "Closure",
    "Entry",
    "Fact",
    "Firm",
    "Job",
    "KeptFile",
    "LateAir",
    "Logger",
    "LoggerClock",
    "LoggerHeard",
    "LoggerMapping",
    "Memory",
    "Milestone",
    "MilestoneReport",
    "Outbox",
    "Person",
    "PrepCheck",
    "Pulse",
    "Reading",
    "ReadingConflict",
    "ReadingFile",
    "ReadingFlag",
    "Right",
    "Role",
    "Room",
    "SignInLink",
    "Site",
    "SpentToken",
    "Statement",
    "TemperatureUnit",
    "Wetting",
    "Zone",
]
