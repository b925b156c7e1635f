BRANCH_OPENED = "branches.opened"
BRANCH_CHANGED = "branches.changed"
