from enum import StrEnum


class AppointmentPermission(StrEnum):
    VIEW = "appointments.view"
    BOOK = "appointments.book"
    SHARE_FEED = "appointments.share_feed"
    SHARE_OWN_FEED = "appointments.share_own_feed"
