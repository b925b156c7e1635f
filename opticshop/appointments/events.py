"""What appointments tell others. Payloads hold ids, kinds and times; never a name, a note or a reason."""

APPOINTMENT_BOOKED = "appointments.booked"  # {appointment, customer, kind, starts_at}
APPOINTMENT_RESCHEDULED = "appointments.rescheduled"  # {appointment, customer, kind, starts_at, before}
APPOINTMENT_AMENDED = "appointments.amended"  # {appointment, customer, kind, starts_at, fields}
APPOINTMENT_CANCELLED = "appointments.cancelled"  # {appointment, customer, kind, starts_at}
APPOINTMENT_ARRIVED = "appointments.arrived"  # {appointment, customer, kind, starts_at}
APPOINTMENT_ATTENDED = "appointments.attended"  # {appointment, customer, kind, starts_at}
APPOINTMENT_MISSED = "appointments.missed"  # {appointment, customer, kind, starts_at}
FEED_SHARED = "appointments.feed_shared"  # {feed, what}
FEED_REVOKED = "appointments.feed_revoked"  # {feed, what}
