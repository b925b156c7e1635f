"""What orders tell others. Payloads carry ids and non-personal facts only."""

ORDER_PLACED = "orders.placed"  # {order, number, special_order}
ORDER_IN_WORKSHOP = "orders.in_workshop"  # {order, number}
ORDER_READY = "orders.ready"  # {order, number, customer}
ORDER_COLLECTED = "orders.collected"  # {order, number, customer, prescription}
ORDER_CANCELLED = "orders.cancelled"  # {order, number, reason, spoiled: parts written off, cause, borne_by}
ORDER_PROMISED = "orders.promised"  # {order, number, promised_on, reason}
ORDER_REPLACED = "orders.replaced"  # {order, number, replaces, cause, borne_by, reason}
ORDER_QUOTED = "orders.quoted"  # {quotation, number, valid_to}
QUOTATION_ACCEPTED = "orders.quotation_accepted"  # {quotation, number, order}
QUOTATION_WITHDRAWN = "orders.quotation_withdrawn"  # {quotation, number, reason}
QUOTATION_EXPIRED = "orders.quotation_expired"  # {quotation, number}
