"""Files that somebody chose: they wait until they are read in, and what readings came from is kept for good."""

from __future__ import annotations

from django.db import models


class KeptFile(models.Model):
    """The bytes of an uploaded file, from the page that says what is in it on.

    `prune` throws it away unless a `ReadingFile` names its hash: then it is the evidence of readings.
    """

    sha256 = models.CharField(max_length=64, unique=True)
    #: As the person's machine names it; never used as a path.
    name = models.CharField(max_length=200)
    body = models.BinaryField()
    #: Of the latest time somebody chose it; `prune` counts from then.
    kept_at = models.DateTimeField(db_index=True)
    by = models.ForeignKey("jobs.Person", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return self.name
