"""What purchasing tells others. Payloads carry ids and non-personal facts only."""

SUPPLIER_ADDED = "purchasing.supplier_added"  # {supplier}
SUPPLIER_CHANGED = "purchasing.supplier_changed"  # {supplier, fields}
OFFER_ADDED = "purchasing.offer_added"  # {offer, supplier, article}
OFFER_CHANGED = "purchasing.offer_changed"  # {offer, supplier, article, fields}
PRICE_ADDED = "purchasing.price_added"  # {price, supplier, article}
PRICE_LIST_IMPORTED = "purchasing.price_list_imported"  # {price_list, supplier, added, changed, unchanged}
TRAVEL_SET = "purchasing.travel_set"  # {origin, destination, days}

PURCHASE_ORDER_DRAFTED = "purchasing.purchase_order_drafted"  # {purchase_order, number, supplier}
PURCHASE_ORDER_AMENDED = "purchasing.purchase_order_amended"  # {purchase_order, number, supplier, fields}
PURCHASE_ORDER_SENT = "purchasing.purchase_order_sent"  # {purchase_order, number, supplier, total, expected_on}
PURCHASE_ORDER_RECEIVED = "purchasing.purchase_order_received"  # {purchase_order, number, supplier, state}
PURCHASE_ORDER_CANCELLED = "purchasing.purchase_order_cancelled"  # {..., state, pieces, reason}

DELIVERY_OPENED = "purchasing.delivery_opened"  # {delivery, number, supplier}
DELIVERY_SCANNED = "purchasing.delivery_scanned"  # {delivery, number, line, item, quantity, outcome}
DELIVERY_LINE_REMOVED = "purchasing.delivery_line_removed"  # {delivery, number, line}
OVER_DELIVERY_ACCEPTED = "purchasing.over_delivery_accepted"  # {delivery, number, line, reason}
DELIVERY_CONFIRMED = "purchasing.delivery_confirmed"  # {delivery, number, received, over, short, quarantined}
DELIVERY_DISCARDED = "purchasing.delivery_discarded"  # {delivery, number, reason}

LENS_ORDER_DRAFTED = "purchasing.lens_order_drafted"  # {lens_order, number, order, eye, reason}
LENS_ORDER_ASSIGNED = "purchasing.lens_order_assigned"  # {lens_order, number, order, eye, supplier}
LENS_ORDER_SENT = "purchasing.lens_order_sent"  # {lens_order, number, order, eye, supplier, expected_on}
LENS_ORDER_CONFIRMED = "purchasing.lens_order_confirmed"  # {lens_order, number, order, eye, promised_on}
SPECIAL_LENS_RECEIVED = "purchasing.special_lens_received"  # {lens_order, number, order, eye, lot, reserved}
SPECIAL_LENS_FAULTY = "purchasing.special_lens_faulty"  # {lens_order, number, order, eye, reason, replacement}
LENS_ORDER_CANCELLED = "purchasing.lens_order_cancelled"  # {lens_order, number, order, eye, reason}
LENS_ORDER_UNWANTED = "purchasing.lens_order_unwanted"  # {lens_order, number, order, eye}

RETURN_DRAFTED = "purchasing.return_drafted"  # {supplier_return, number, supplier}
RETURN_SENT = "purchasing.return_sent"  # {supplier_return, number, supplier, pieces}
RETURN_ACKNOWLEDGED = "purchasing.return_acknowledged"  # {supplier_return, number, supplier}
RETURN_CREDITED = "purchasing.return_credited"  # {supplier_return, number, supplier, amount}
RETURN_REJECTED = "purchasing.return_rejected"  # {supplier_return, number, supplier, reason}
RETURN_CANCELLED = "purchasing.return_cancelled"  # {supplier_return, number, supplier, reason}
