from .addresses import address_ask, address_confirm
from .runs import FileNotThere, run_ask, run_file, runs_expire, runs_make
from .schedules import (
    schedule_change,
    schedule_end,
    schedule_leave,
    schedule_make,
    schedule_pause,
    schedule_resume,
    schedule_send_now,
    schedules_due,
)
from .schedules_mail import mails_send

__all__ = [
    "FileNotThere",
    "address_ask",
    "address_confirm",
    "mails_send",
    "run_ask",
    "run_file",
    "runs_expire",
    "runs_make",
    "schedule_change",
    "schedule_end",
    "schedule_leave",
    "schedule_make",
    "schedule_pause",
    "schedule_resume",
    "schedule_send_now",
    "schedules_due",
]
