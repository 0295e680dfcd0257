"""Every act that a person can record through a page, by what it is about and its name in the path."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from jobs.models import Fact
from scheduling.acts import site
from scheduling.acts.base import Act, Subject

ACTS: Mapping[tuple[Subject, str], Act] = MappingProxyType(
    {(act.subject, act.name): act for act in (*site.ACTS,)}
)
BY_FACT: Mapping[type[Fact], Act] = MappingProxyType({act.fact: act for act in ACTS.values() if act.fact})
