"""The Celery application; queues, limits and schedule are made from the declared duties."""

from __future__ import annotations

import logging
import os
from typing import Any

from celery import Celery
from celery.signals import setup_logging
from django.conf import settings
from django.utils.log import configure_logging
from kombu import Queue  # type: ignore[attr-defined]

from opticshop.core.duties import QUEUES, all_duties

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.production")

app = Celery("opticshop")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.conf.task_queues = [Queue(name, routing_key=name) for name in QUEUES]  # type: ignore[no-untyped-call]
app.conf.task_default_queue = QUEUES[0]
app.autodiscover_tasks()


@app.on_after_finalize.connect
def schedule_duties(sender: Celery, **kwargs: Any) -> None:
    from opticshop.core.tasks import message_options, run_duty_task

    for each in all_duties():
        sender.add_periodic_task(
            each.asked_every(), run_duty_task.s(each.name), name=each.name, **message_options(each)
        )


@setup_logging.connect
def logs_as_everywhere(loglevel: Any = None, **kwargs: Any) -> None:
    """Instead of Celery's own handlers, which write out the texts of exceptions; its level is heeded for its words."""
    configure_logging(settings.LOGGING_CONFIG, settings.LOGGING)
    if loglevel is not None:
        logging.getLogger("celery").setLevel(loglevel)
