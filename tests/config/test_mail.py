from email import message_from_bytes

from django.core.mail import EmailMessage, get_connection


def test_a_message_sent_twice_is_in_the_mailbox_once(settings, tmp_path):
    settings.EMAIL_FILE_PATH = str(tmp_path / "mailbox")
    mailbox = get_connection("config.mail.Mailbox")
    message = EmailMessage(
        "Room 2.14", "Fit to send.\n", "setday@firm.example", ["ada@firm.example"],
        headers={"Message-ID": "<018f/../x@setday.example>"}, connection=mailbox,
    )  # fmt: skip

    assert [message.send(), message.send()] == [1, 1]

    (kept,) = (tmp_path / "mailbox").iterdir()
    assert kept.name == "018f_.._x@setday.example.eml"
    read = message_from_bytes(kept.read_bytes())
    assert (read["Subject"], read["To"]) == ("Room 2.14", "ada@firm.example")


def test_two_messages_are_two_files(settings, tmp_path):
    settings.EMAIL_FILE_PATH = str(tmp_path)
    mailbox = get_connection("config.mail.Mailbox")

    sent = mailbox.send_messages([EmailMessage("a", "b", "c@d.example", ["e@f.example"]) for _ in range(2)])

    assert sent == len(list(tmp_path.iterdir())) == 2
