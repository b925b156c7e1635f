"""One conversation with the mail server, and what is certain after it breaks off at each point (RFC 5321).

Until the end mark of the mail is on its way the server may not act on it, so the mail certainly did not leave. From
then until the answer nobody knows. A positive answer makes the server responsible.
"""

from __future__ import annotations

import re
import smtplib
import socket
import ssl
from contextlib import suppress

from opticshop.plugin_api import AddressNotAllowed, SendOutcome, connected
from opticshop.plugin_api.channels import SendState

from .composing import Mail
from .server import MailServer

_LONGEST_DETAIL = 200


class _Plain(smtplib.SMTP):
    """Connects to an address that was judged; the certificate is checked for the host that was named."""

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:  # what SMTP_SSL builds on, too
        return connected(host, port, timeout)


class _Encrypted(smtplib.SMTP_SSL, _Plain):
    """The same under TLS from the first byte."""


class _NotNow(Exception):
    """The server cannot be used at present; the text says why and holds no secret."""


def handed_over(mail: Mail, server: MailServer) -> SendOutcome:
    """Hand the mail to the server. Never raises what a network or a server can cause."""
    try:
        smtp = _connected(server)
    except _NotNow as error:
        return SendOutcome(state="retry", detail=str(error))
    try:
        return _transferred(smtp, mail, server)
    finally:
        _close(smtp)


def _connected(server: MailServer) -> smtplib.SMTP:
    """A connection, encrypted and logged in as the settings say."""
    smtp: smtplib.SMTP | None = None
    try:
        context = ssl.create_default_context(cadata=server.ca_certificate or None)
        name = server.from_address.rpartition("@")[2].encode("idna").decode("ascii")
        host, port, limit = server.host, server.port, server.timeout_seconds
        if server.security == "tls":
            smtp = _Encrypted(host, port, local_hostname=name, timeout=limit, context=context)
        else:
            smtp = _Plain(host, port, local_hostname=name, timeout=limit)
        if server.security == "starttls":
            smtp.starttls(context=context)
        smtp.ehlo_or_helo_if_needed()
        if server.username:
            smtp.login(server.username, server.password)
    except Exception as error:
        if smtp is not None:
            smtp.close()
        reason = _why_not(error, server)
        if reason is None:
            raise
        raise _NotNow(reason) from None
    return smtp


def _why_not(error: Exception, server: MailServer) -> str | None:
    """In words, without anything that was sent to the server; None for what is no trouble with a server."""
    match error:
        case smtplib.SMTPAuthenticationError():
            return f"The mail server does not admit the login ({error.smtp_code})."
        case smtplib.SMTPNotSupportedError():
            return "The mail server does not offer the encryption or the login that is set up."
        case smtplib.SMTPResponseException():
            return _answer(error.smtp_code, error.smtp_error)
        case smtplib.SMTPServerDisconnected():
            return f"The mail server closed the connection or did not answer within {server.timeout_seconds:g} s."
        case smtplib.SMTPException():
            return "The mail server offers no way to log in that is known here."
        case ssl.SSLCertVerificationError():
            return f"The certificate of the mail server is not trusted: {error.verify_message}."
        case ssl.SSLError():
            return "There is no encrypted connection to the mail server."
        case AddressNotAllowed():
            return "The mail server stands at an address that is not reached from here."
        case TimeoutError():
            return f"The mail server did not answer within {server.timeout_seconds:g} s."
        case OSError():
            return f"The mail server cannot be reached: {error.strerror or type(error).__name__}."
        case UnicodeError():
            return "The login or the sender has letters that the mail server is not told."
        case _:
            return None


def _transferred(smtp: smtplib.SMTP, mail: Mail, server: MailServer) -> SendOutcome:
    try:
        refusal = _announced(smtp, mail)
        if refusal is not None:
            return refusal
        smtp.send(_dot_stuffed(mail.content))
    except (smtplib.SMTPException, OSError, UnicodeError) as error:
        return SendOutcome(state="retry", detail=_why_not(error, server) or "")
    try:
        if smtp.sock is not None:
            smtp.sock.settimeout(server.accepting_seconds)
        smtp.send(b".\r\n")
        code, text = smtp.getreply()
    except (smtplib.SMTPException, OSError):
        return SendOutcome(state="unknown", detail="The mail server was given the mail and did not say that it has it.")
    if 200 <= code < 300:
        return SendOutcome(state="sent", provider_reference=mail.message_id, detail=_answer(code, text))
    return _outcome_of(code, text, otherwise="unknown")


def _announced(smtp: smtplib.SMTP, mail: Mail) -> SendOutcome | None:
    """Sender, recipient and DATA; None once the server waits for the mail."""
    if mail.needs_utf8 and not smtp.has_extn("smtputf8"):
        return SendOutcome(state="refused", detail="The mail server does not take such an address (RFC 6531).")
    code, text = smtp.mail(mail.envelope_from, ["SMTPUTF8"] if mail.needs_utf8 else [])
    if code != 250:
        return SendOutcome(state="retry", detail=_answer(code, text))
    code, text = smtp.rcpt(mail.envelope_to)
    if code not in (250, 251):
        return _outcome_of(code, text, otherwise="retry")
    smtp.putcmd("DATA")
    code, text = smtp.getreply()
    return None if code == 354 else _outcome_of(code, text, otherwise="retry")


def _outcome_of(code: int, text: bytes, *, otherwise: SendState) -> SendOutcome:
    """What a negative answer means. 4yz: not now; 5yz: never (RFC 5321 section 4.2.1); `otherwise` for no answer."""
    if 400 <= code < 500:
        return SendOutcome(state="retry", detail=_answer(code, text))
    if 500 <= code < 600:
        return SendOutcome(state="refused", detail=_answer(code, text))
    return SendOutcome(state=otherwise, detail=_answer(code, text))


def _answer(code: int, text: bytes | str) -> str:
    words = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return " ".join(f"{code} {''.join(c if c.isprintable() else ' ' for c in words)}".split())[:_LONGEST_DETAIL]


def _dot_stuffed(content: bytes) -> bytes:
    """Whole lines, a dot doubled where it begins one (RFC 5321 section 4.5.2)."""
    whole = content if content.endswith(b"\r\n") else content + b"\r\n"
    return re.sub(rb"(?m)^\.", b"..", whole)


def _close(smtp: smtplib.SMTP) -> None:
    with suppress(smtplib.SMTPException, OSError):
        if smtp.sock is not None:
            smtp.sock.settimeout(1)
        smtp.quit()
    smtp.close()
