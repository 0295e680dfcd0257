"""Firms, people, how they sign in, and what of which job they may see or record."""

from __future__ import annotations

from typing import ClassVar

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from jobs.validators import valid_zone


class Role(models.TextChoices):
    """What a person does; one person may have several."""

    MANAGER = "manager", _("operations manager")
    CREW_LEAD = "crew_lead", _("crew lead")
    SUPPLIER = "supplier", _("supplier")


class Firm(models.Model):
    """The contractor, or one of its suppliers."""

    class Kind(models.TextChoices):
        CONTRACTOR = "contractor", _("contractor")
        SUPPLIER = "supplier", _("supplier")

    name = models.CharField(max_length=120, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    email = models.EmailField(blank=True)
    #: From order to arrival, in whole days; None where nobody has said.  Suppliers only.
    lead_days = models.PositiveSmallIntegerField(null=True, blank=True)

    def __str__(self) -> str:
        return self.name


class PersonManager(BaseUserManager["Person"]):
    """Finds people by the address they sign in with, whatever its case."""

    def get_by_natural_key(self, username: str | None) -> Person:
        return self.get(email__iexact=username)


class Person(AbstractBaseUser):
    """Somebody with an account.  There is no password: people sign in by links."""

    password = None  # type: ignore[assignment]
    email = models.EmailField(unique=True)
    name = models.CharField(max_length=120)
    firm = models.ForeignKey(Firm, on_delete=models.PROTECT, related_name="people")
    time_zone = models.CharField(max_length=64, validators=[valid_zone])
    is_manager = models.BooleanField(default=False)
    is_crew_lead = models.BooleanField(default=False)
    is_supplier = models.BooleanField(default=False)
    is_active = models.BooleanField(default=True)

    USERNAME_FIELD = "email"
    objects: ClassVar[PersonManager] = PersonManager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(is_supplier=False) | Q(is_manager=False, is_crew_lead=False),
                name="supplier_has_no_other_role",
                violation_error_message=_("A supplier's person cannot also be manager or crew lead."),
            )
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def roles(self) -> frozenset[Role]:
        """The set of this person's roles."""
        held = {
            Role.MANAGER: self.is_manager,
            Role.CREW_LEAD: self.is_crew_lead,
            Role.SUPPLIER: self.is_supplier,
        }
        return frozenset(role for role, has in held.items() if has)

    def get_session_auth_hash(self) -> str:
        """Return what a session is bound to: with no password, only whether the account is open."""
        return f"{self.pk}-{self.is_active}"


class SignInLink(models.Model):
    """One link by which a person signs in; only the SHA-256 of its secret is kept."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="links")
    digest = models.CharField(max_length=64, unique=True)
    #: A mailed link shows a button first, because mail scanners open links; a printed one does not.
    is_mailed = models.BooleanField()
    made_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    #: None until it is used; a mailed link serves once.
    used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"link of {self.person_id}"


class Right(models.TextChoices):
    """What a row of access lets a person do; a manager needs no row."""

    SITE = "site", _("record what is seen on the site")
    ROOM = "room", _("record what is done in a room")


class Access(models.Model):
    """That a person has a right on a job, or on one room of it, over a span of time.

    Written by the services above this app (a crew attached, a day given out); `jobs.access` reads it.
    """

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="access")
    job = models.ForeignKey("jobs.Job", on_delete=models.CASCADE, related_name="access")
    #: None: the whole job.
    room = models.ForeignKey(
        "jobs.Room", on_delete=models.CASCADE, null=True, blank=True, related_name="access"
    )
    right = models.CharField(max_length=8, choices=Right)
    from_at = models.DateTimeField()
    #: None: not ended yet.
    until_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["person", "job"])]
        constraints = [
            models.CheckConstraint(
                condition=Q(right=Right.SITE, room__isnull=True) | Q(right=Right.ROOM, room__isnull=False),
                name="access_room_right_names_a_room",
            )
        ]

    def __str__(self) -> str:
        return f"{self.person_id} {self.right} {self.job_id}"
