"""Sessions as sign-ins: Django's database sessions with our own model, as its documentation extends them.

The cookie holds the key, the database its digest: a copy of the table opens no session. A session ends when nothing was
asked for a while (``OPTICSHOP_SESSION_IDLE_SECONDS``) and after a day's work whatever is asked
(``OPTICSHOP_SESSION_SECONDS``). OWASP, Session Management Cheat Sheet: 15 to 30 minutes idle for what is of low risk,
an absolute limit of the hours of an office day; NIST SP 800-63B-4, 2.2.3 (from memory): at AAL2 signed in anew after 24
hours at the latest and after an hour without activity.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.contrib.sessions.backends.base import CreateError, UpdateError
from django.contrib.sessions.backends.db import SessionStore as DatabaseStore
from django.contrib.sessions.middleware import SessionMiddleware as DjangoSessionMiddleware
from django.db import IntegrityError, transaction
from django.http import HttpRequest

from opticshop.core import acting, clock
from opticshop.core.sealing import digest

from .models.credentials import SignIn

#: The moment of the last request is written at most this often.
SEEN_EVERY = dt.timedelta(minutes=2)
#: Said by the script of a screen that looks again by itself.
BY_ITSELF = "X-Looked-By-Itself"


class SessionStore(DatabaseStore):
    """``device``: how the device calls itself; set by the middleware for sessions that come with a request, as is
    ``is_asked_for``: not where a screen only looks again by itself, which is no sign that anybody is there."""

    device = ""
    is_asked_for = True

    @classmethod
    def get_model_class(cls) -> type[SignIn]:
        return SignIn

    def row(self) -> SignIn | None:
        """The session as a sign-in, if it stands."""
        if not self.session_key:
            return None
        now, idle = clock.now(), dt.timedelta(seconds=settings.OPTICSHOP_SESSION_IDLE_SECONDS)
        return SignIn.objects.filter(
            session_key=digest(self.session_key), expire_date__gt=now, seen_at__gt=now - idle
        ).first()

    def load(self) -> dict[str, Any]:
        row = self.row()
        if row is None:
            self._session_key = None
            return {}
        now = clock.now()
        if self.is_asked_for and now - row.seen_at > SEEN_EVERY:
            SignIn.objects.filter(id=row.id).update(seen_at=now)
        return self.decode(row.session_data)

    def exists(self, session_key: str) -> bool:
        return SignIn.objects.filter(session_key=digest(session_key)).exists()

    def save(self, must_create: bool = False) -> None:
        if self.session_key is None:
            self.create()
            return
        data = self._get_session(no_load=must_create)  # type: ignore[attr-defined]
        columns = {"session_data": self.encode(data), "user_id": data.get("_auth_user_id")}
        if not must_create:
            if not SignIn.objects.filter(session_key=digest(self.session_key)).update(**columns):
                raise UpdateError
            return
        try:
            with transaction.atomic():
                SignIn.objects.create(
                    session_key=digest(self.session_key),
                    expire_date=clock.now() + dt.timedelta(seconds=settings.OPTICSHOP_SESSION_SECONDS),
                    device=self.device,
                    address=acting.current().address,
                    **columns,
                )
        except IntegrityError as error:
            raise CreateError from error

    def delete(self, session_key: str | None = None) -> None:
        key = session_key or self.session_key
        if key is not None:
            SignIn.objects.filter(session_key=digest(key)).delete()

    @classmethod
    def clear_expired(cls) -> None:
        SignIn.objects.filter(way=SignIn.Way.BROWSER, expire_date__lte=clock.now()).delete()


class SessionMiddleware(DjangoSessionMiddleware):
    """Tells a session that begins from which device it came."""

    def process_request(self, request: HttpRequest) -> None:
        super().process_request(request)
        session: SessionStore = request.session  # type: ignore[assignment]
        session.device = device_words(request.headers.get("User-Agent", ""))
        session.is_asked_for = BY_ITSELF not in request.headers


def device_words(text: str) -> str:
    """How a device calls itself, printable and short enough to be kept."""
    return "".join(char if char.isprintable() else " " for char in text)[:200]
