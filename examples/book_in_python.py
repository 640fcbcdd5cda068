"""A shop book in Python: a lot entered and weighed, the weighing taken back, and what the ledger says.

Run it with `python examples/book_in_python.py`. Every name and number of the shop is made up; the book goes when it ends.
"""

import tempfile

import pipemetal as pm
from pipemetal.shop.book import NewLot

with tempfile.TemporaryDirectory() as folder, pm.Book.open(f"{folder}/shop.sqlite", create=True, who="Ada") as book:
    book.lots.add(NewLot("T1", "pig", 25.0, pm.Composition.parse("Sn 99.9 Pb bal"), supplier="an invented merchant"))
    weighed = book.ledger.weigh("lot:T1", 24.6)
    print(f"after event {weighed.event}: {book.ledger.mass_kg('lot:T1'):.1f} kg")
    book.history.undo(weighed.event)
    print(f"taken back: {book.ledger.mass_kg('lot:T1'):.1f} kg")
    for event in book.history.events():
        print(f"{event.id} {event.who}: {event.what} {event.about}")
