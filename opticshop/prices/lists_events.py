"""What price lists tell others."""

LIST_ADDED = "prices.list_added"  # {price_list, branch or null, valid_from, valid_to or null, ended: list it took over}
LIST_PRICED = "prices.list_priced"  # {price_list, rows: how many}
LIST_ENDED = "prices.list_ended"  # {price_list, valid_to}
