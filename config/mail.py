"""The mailbox of a service without a mail server: a folder with one file a message."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.base import BaseEmailBackend


class Mailbox(BaseEmailBackend):
    """Writes each message to a file named by its Message-ID, so that one sent twice is there once."""

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        """Write the messages and return how many."""
        folder = Path(settings.EMAIL_FILE_PATH)
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for message in email_messages:
            _write(folder, message.message())
        return len(email_messages)


def _write(folder: Path, message: Any) -> None:
    name = re.sub(r"[^A-Za-z0-9@.-]", "_", str(message["Message-ID"]).strip("<>"))
    unfinished = folder / f".{name}.{os.getpid()}"
    unfinished.write_bytes(message.as_bytes())
    unfinished.replace(folder / f"{name}.eml")
