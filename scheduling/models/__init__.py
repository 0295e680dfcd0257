"""What scheduling stores: crews, days given out, what happened in rooms, and what is derived from it all."""

from scheduling.models.crews import Crew, CrewMember, JobCrew, TimeOff
from scheduling.models.derived import CrewFeed, FeedEvent, FeedSecret, Message, RoomState
from scheduling.models.work import (
    Assignment,
    BeganHeld,
    DayGiven,
    Finish,
    HoldName,
    Release,
    SheetsSet,
    Start,
    TurnedAway,
    Waiver,
)

__all__ = [
    "Assignment",
    "BeganHeld",
    "Crew",
    "CrewFeed",
    "CrewMember",
    "DayGiven",
    "FeedEvent",
    "FeedSecret",
    "Finish",
    "HoldName",
    "JobCrew",
    "Message",
    "Release",
    "RoomState",
    "SheetsSet",
    "Start",
    "TimeOff",
    "TurnedAway",
    "Waiver",
]
