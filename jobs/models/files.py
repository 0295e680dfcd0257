"""Files that somebody chose and that wait until they are read in: what is loaded is what was shown before."""

from __future__ import annotations

from django.db import models


class KeptFile(models.Model):
    """The bytes of an uploaded file between the page that says what is in it and the act that loads it."""

    sha256 = models.CharField(max_length=64, unique=True)
    #: As the person's machine names it; never used as a path.
    name = models.CharField(max_length=200)
    body = models.BinaryField()
    #: Of the latest time somebody chose it; `prune` counts from then.
    kept_at = models.DateTimeField(db_index=True)
    by = models.ForeignKey("jobs.Person", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return self.name
