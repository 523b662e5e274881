"""E-mail by SMTP: one connection, kept open and used again.

Promises TLS unless the server is on this machine, and a Message-ID made from the
message's id, so that a mail handed over twice can be told to be one. The subject
is the sender's name and nothing more: it lights up on a locked screen.
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
import threading
from dataclasses import dataclass
from email.message import EmailMessage

from service.transports.base import LONGEST_CALL, OutgoingText, PermanentFailure, TemporaryFailure

TIMEOUT_SECONDS = LONGEST_CALL.total_seconds() / 4  # connect, greet, sign in and send are a wait each
# RFC 5321 4.2.3 and RFC 3463 3.2: these replies to RCPT are about the address, not about us.
NO_SUCH_ADDRESS = frozenset({550, 551, 553})


@dataclass(frozen=True)
class MailServer:
    """Where mail is handed in. `security` is "tls" (from the first byte), "starttls", or "none" on this machine."""

    host: str
    port: int
    security: str
    sender: str
    user: str = ""
    password: str = ""


class Mail:
    """See the module. `context` checks the server's certificate."""

    def __init__(self, server: MailServer, context: ssl.SSLContext | None = None) -> None:
        self._server = server
        self._context = context or ssl.create_default_context()
        self._connection: smtplib.SMTP | None = None
        # Providers count connections, and SMTP is one mail at a time: those who wait, wait here.
        self._turn = threading.Lock()

    def send(self, text: OutgoingText) -> str:
        mail, ref = self._written(text)
        with self._turn:
            try:
                self._ready().send_message(mail)
            except smtplib.SMTPRecipientsRefused as refused:
                ((code, _),) = refused.recipients.values()
                if code in NO_SUCH_ADDRESS:
                    raise PermanentFailure(f"the mail server does not know this address ({code})") from None
                raise TemporaryFailure(f"the mail server refused for now ({code})") from None
            except smtplib.SMTPResponseException as refused:
                # About us or the mail, not about the address: another try does no harm, and expiry ends it.
                self._hang_up()
                raise TemporaryFailure(f"the mail server refused ({refused.smtp_code})") from None
            except (smtplib.SMTPException, OSError) as error:
                self._hang_up()
                raise TemporaryFailure(f"the mail server did not answer ({type(error).__name__})") from None
        return ref

    def look(self) -> None:
        """Connect and sign in, and send nothing. Raises TemporaryFailure."""
        with self._turn:
            try:
                self._ready()
            except (smtplib.SMTPException, OSError) as error:
                raise TemporaryFailure(f"the mail server did not let us in ({type(error).__name__})") from None
            finally:
                self._hang_up()

    def close(self) -> None:
        """End the connection, politely where it still stands."""
        with self._turn:
            self._hang_up()

    def _written(self, text: OutgoingText) -> tuple[EmailMessage, str]:
        mail = EmailMessage()
        mail["From"] = self._server.sender
        mail["To"] = text.to
        mail["Subject"] = text.subject
        ref = f"<{text.message_id}@{self._server.sender.rpartition('@')[2].rstrip('>')}>"
        mail["Message-ID"] = ref
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers, please
        if text.lasts_until is not None:
            mail["Expires"] = text.lasts_until.strftime("%a, %d %b %Y %H:%M:%S +0000")  # RFC 4021 2.1.50
        mail.set_content(text.body)
        return mail, ref

    def _ready(self) -> smtplib.SMTP:
        if self._connection is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                if self._connection.noop()[0] == 250:
                    return self._connection
            self._hang_up()
        self._connection = self._connect()
        return self._connection

    def _connect(self) -> smtplib.SMTP:
        server = self._server
        if server.security == "tls":
            connection: smtplib.SMTP = smtplib.SMTP_SSL(
                server.host, server.port, timeout=TIMEOUT_SECONDS, context=self._context
            )
        else:
            connection = smtplib.SMTP(server.host, server.port, timeout=TIMEOUT_SECONDS)
        try:
            if server.security == "starttls":
                connection.starttls(context=self._context)
            if server.user:
                connection.login(server.user, server.password)
        except BaseException:
            connection.close()
            raise
        return connection

    def _hang_up(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                self._connection.quit()
            self._connection.close()
            self._connection = None
