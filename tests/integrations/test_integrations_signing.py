"""Signatures against the published vector and the reference library; secrets as they lie in the database."""

from __future__ import annotations

import base64
import datetime as dt
import json

import pytest
from cryptography.fernet import Fernet
from standardwebhooks import Webhook, WebhookVerificationError

from opticshop.integrations import sealing, signing

#: The vector of the Standard Webhooks libraries; standardwebhooks 1.1.0 and plain HMAC agree on it.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
MESSAGE, TIMESTAMP, BODY = "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_the_published_vector():
    assert signing.signature(SECRET, MESSAGE, TIMESTAMP, BODY) == SIGNATURE


@pytest.mark.parametrize("body", ["{}", '{"name":"Ærø – 1 €"}', '{"a":"\\u0000"}', '{"amount":"12.50"}'])
def test_the_reference_library_signs_alike(body):
    secret, moment = signing.new_secret(), dt.datetime.fromtimestamp(TIMESTAMP, dt.UTC)
    ours = signing.signature(secret, MESSAGE, TIMESTAMP, body.encode())
    assert ours == Webhook(secret).sign(MESSAGE, moment, body)


def test_a_new_secret_has_the_length_the_standard_asks_for():
    key = base64.b64decode(signing.new_secret().removeprefix("whsec_"), validate=True)
    assert 24 <= len(key) <= 64
    assert signing.new_secret() != signing.new_secret()


def test_two_secrets_make_two_signatures_and_each_is_verified_by_itself(steady_clock):
    old, new, now = signing.new_secret(), signing.new_secret(), int(steady_clock.timestamp())
    headers = signing.headers([new, old], "evt_1", now, BODY)
    assert len(headers["webhook-signature"].split()) == 2
    for secret in (old, new):
        assert Webhook(secret).verify(BODY, headers) == json.loads(BODY)
    with pytest.raises(WebhookVerificationError):
        Webhook(signing.new_secret()).verify(BODY, headers)


@pytest.mark.parametrize("place", range(len(BODY)))
def test_one_changed_byte_fails(place, steady_clock):
    headers = signing.headers([SECRET], "evt_1", int(steady_clock.timestamp()), BODY)
    changed = BODY[:place] + bytes([BODY[place] ^ 1]) + BODY[place + 1 :]
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(changed, headers)


def test_a_secret_lies_encrypted_and_opens_again():
    sealed = sealing.seal(SECRET)
    assert SECRET not in sealed
    assert sealing.unseal(sealed) == SECRET
    assert sealing.seal(SECRET) != sealed, "the same secret never looks the same twice"


def test_a_changed_secret_key_opens_it_only_while_the_old_one_is_a_fallback(settings):
    sealed, old = sealing.seal(SECRET), settings.SECRET_KEY
    settings.SECRET_KEY = "another-key-for-tests-only-and-nothing-else"
    with pytest.raises(sealing.Unreadable):
        sealing.unseal(sealed)
    settings.SECRET_KEY_FALLBACKS = [old]
    assert sealing.unseal(sealed) == SECRET


@pytest.mark.parametrize(
    "sealed",
    ["", "not sealed at all", Fernet(Fernet.generate_key()).encrypt(b"x").decode()],
    ids=["nothing", "words", "by another key"],
)
def test_what_we_did_not_seal_is_not_opened(sealed):
    with pytest.raises(sealing.Unreadable):
        sealing.unseal(sealed)
