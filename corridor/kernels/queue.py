"""A binary heap on two arrays the caller owns: least key first.

The heap is lazy: an item may stand in it several times, and whoever pops it
decides whether it is stale. Functions return the new size.
"""

from __future__ import annotations

from corridor.compiled import kernel


@kernel
def push(keys, items, size, key, item):
    """Add (key, item); `keys` and `items` must have room for one more."""
    child = size
    while child > 0:
        parent = (child - 1) >> 1
        if keys[parent] <= key:
            break
        keys[child] = keys[parent]
        items[child] = items[parent]
        child = parent
    keys[child] = key
    items[child] = item
    return size + 1


@kernel
def pop(keys, items, size):
    """Remove the entry at the top, which the caller has read from ``keys[0]``, ``items[0]``."""
    size -= 1
    key = keys[size]
    item = items[size]
    parent = 0
    child = 1
    while child < size:
        if child + 1 < size and keys[child + 1] < keys[child]:
            child += 1
        if key <= keys[child]:
            break
        keys[parent] = keys[child]
        items[parent] = items[child]
        parent = child
        child = 2 * parent + 1
    keys[parent] = key
    items[parent] = item
    return size
