"""A month of an invented shop, worked by operators at once through the command line and the pages, and a plain account of it.

Nothing of the program is imported here but its numbers of reels: the operators start processes, or send what the page sends.
"""

import http.client
import json
import os
import queue
import random
import re
import subprocess
import sys
import threading
from collections import Counter
from fractions import Fraction
from pathlib import Path

from typed import Typist

from smallgauge.gauge.numbers import order_number, reel_number

sys.path.insert(0, str(Path(__file__).parents[1] / "workbench"))

SHOP = '[holds]\nlifter = "Jo Bell"\nprivate = "Ines Vogt"\n'
TARIFF = """
currency = "florin"
unit = "0.01"
scan_rate = 12
megabytes_per_frame = "9.5"
[price.super-8]
per_reel = "6.00"
per_foot = "0.22"
"""
KINDS = ("cans", "boxes", "notes", "tapes", "empty spools")
HELD = {
    "mould": (("film", "Jo Bell"),),
    "private": (("film", "Ines Vogt"), ("files", "Ines Vogt")),
}


class Bench:
    """One running workbench, asked as its page asks it."""

    def __init__(self, served):
        self.port = served.port
        line = self._line()
        line.request("GET", f"/enter?t={served.token}")
        answer = line.getresponse()
        answer.read()
        self.cookie = re.search(r"smallgauge-\d+=[^;]+", answer.headers["set-cookie"]).group(0)

    def _line(self):
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)

    def ask(self, path, body=None):
        """Status and document; a connection a question, as the server closes one that rests."""
        head = {"Cookie": self.cookie, "Content-Type": "application/json", "Connection": "close"}
        data = None if body is None else json.dumps(body)
        line = self._line()
        try:
            line.request("GET" if body is None else "POST", f"/api/counter{path}", data, head)
            answer = line.getresponse()
            return answer.status, json.loads(answer.read())
        finally:
            line.close()


class Month:
    """The shop's plain account: what was done by whom, and where every reel must be."""

    def __init__(self, shelf, benches, *, seed, orders, reels, env=None):
        self.shelf, self.benches, self.env = Path(shelf), benches, {**os.environ, **(env or {})}
        self.random = random.Random(seed)
        self.guard = threading.RLock()
        self.tasks, self.left, self.trouble = queue.Queue(), 0, []
        self.did = Counter()  # what the book must hold, by the words of its events
        self.where = {}  # reel -> place; None: returned
        self.parcels = {}  # order -> counts
        self.reels_left = Counter()  # order -> reels not checked yet
        self.holds = Counter()
        self.asked = Counter()
        sizes = [reels // orders + (at < reels % orders) for at in range(orders)]
        self.plans = [
            (at, size, ("keys", "page", "list", "contested")[at % 4]) for at, size in enumerate(sizes)
        ]
        self.feet = {}

    def cli(self, *arguments, code=0):
        """One command in a process of its own; its document."""
        command = [sys.executable, "-m", "smallgauge", *arguments, "--shelf", str(self.shelf), "--json"]
        done = subprocess.run(command, capture_output=True, encoding="utf-8", env=self.env)
        assert done.returncode == code, (arguments, done.returncode, done.stdout, done.stderr)
        with self.guard:
            self.asked["commands"] += 1
        return json.loads(done.stdout)

    def page(self, operator, path, body=None, status=200):
        """One question or change at an operator's bench."""
        told, document = self.benches[operator % len(self.benches)].ask(path, body)
        assert told == status, (path, body, told, document)
        with self.guard:
            self.asked["pages"] += 1
        return document

    def tell(self, what, count=1):
        with self.guard:
            self.did[what] += count

    def put(self, do, *arguments):
        with self.guard:
            self.left += 1
        self.tasks.put((do, arguments))

    def work(self, operator):
        """One operator, until nothing is left or somebody is in trouble."""
        chance = random.Random(f"{operator} {len(self.plans)}")
        while not self.trouble:
            try:
                do, arguments = self.tasks.get(timeout=0.1)
            except queue.Empty:
                with self.guard:
                    if self.left == 0:
                        return
                continue
            try:
                do(operator, chance, *arguments)
            except BaseException as error:
                self.trouble.append(error)
            with self.guard:
                self.left -= 1

    def run(self, operators):
        """All parcels from door to door, by so many operators at once."""
        for plan in self.plans:
            self.put(self.receive, *plan)
        threads = [threading.Thread(target=self.work, args=(n,)) for n in range(operators)]
        for each in threads:
            each.start()
        for each in threads:
            each.join()
        if self.trouble:
            raise self.trouble[0]

    # What operators do

    def receive(self, operator, chance, at, size, how):
        counts = {kind: chance.randint(0, 4) for kind in KINDS} | {"reels": size}
        by, client = f"op{operator}", f"Client {at:02d}"
        if how == "list":
            counted = [part for kind, n in counts.items() for part in ("--count", f"{kind}={n}")]
            order = self.cli("order", "new", "--by", by, "--client", client, "--reach", "by post", "--delete-on", "2031-01-01",
                             "--signed-by", client, *counted)["number"]  # fmt: skip
        else:
            body = {
                "by": by,
                "client": client,
                "reach": "by post",
                "delete_on": "2031-01-01",
                "signed_by": client,
            }
            body |= {kind.replace(" ", "_"): n for kind, n in counts.items()}
            order = self.page(operator, "/parcel", body)["number"]
        self.tell("received")
        with self.guard:
            assert order not in self.parcels, "a number was given twice"
            self.parcels[order], self.reels_left[order] = counts, size
        getattr(self, f"take_in_by_{how}")(operator, chance, order, size)

    def taken_in(self, order, which, held=""):
        number = reel_number(int(order[:6]), which)
        self.tell("taken in")
        with self.guard:
            assert number not in self.where, "a reel was taken in twice"
            self.where[number] = "counter"
        for kind, _ in HELD.get(held, ()):
            self.tell(f"hold on {kind}")
            self.holds[number] += 1
        self.put(self.inspect, number, held)

    def take_in_by_keys(self, operator, chance, order, size):
        typist = Typist("intake", order, "--shelf", str(self.shelf), "--by", f"op{operator}", env=self.env)
        for which in range(1, size + 1):
            typist.wait_for("Gauge (")
            held = "mould" if chance.random() < 0.1 else ""
            typist.press("s")
            typist.wait_for("Words on the box")
            typist.write(f"box {which} of {order}\n")
            typist.wait_for("running (")
            typist.press("m" if held else "n")
            typist.wait_for("Who may decide")
            typist.press("\n")
            typist.wait_for("write it on reel")
            self.taken_in(order, which, held)
        assert typist.ended()[0] == 0
        self.tell("terminals", 0)

    def take_in_by_page(self, operator, chance, order, size):
        for which in range(1, size + 1):
            held = "private" if chance.random() < 0.06 else ""
            body = {"order": order, "by": f"op{operator}", "gauge": "Super 8", "box_words": f"box {which} of {order}",
                    "forbids": held or "nothing", "decides": "the client"}  # fmt: skip
            told = self.page(operator, "/intake", body)
            assert told["reel"] == reel_number(int(order[:6]), which)
            self.taken_in(order, which, held)

    def take_in_by_list(self, operator, chance, order, size):
        feet = [chance.choice((25, 50, 100, 180, 200)) for _ in range(size)]
        rows = [f"Super 8,box {which} of {order},nothing,the client,{n}" for which, n in enumerate(feet, 1)]
        path = self.shelf / f"list-{order}.csv"
        path.write_text("gauge,box_words,forbids,decides,feet\n" + "\n".join(rows) + "\n")
        self.cli("office", "import", str(path), "--order", order, "--by", f"op{operator}")
        self.feet[order] = feet
        for which in range(1, size + 1):
            self.taken_in(order, which)

    def take_in_by_contested(self, operator, chance, order, size):
        """Every bench and the command line take the same parcel in at once, with more hands than there are reels."""
        won, refused = [], []

        def hand(which):
            body = {"order": order, "by": f"op{which}", "gauge": "Super 8", "box_words": f"by hand {which}",
                    "forbids": "nothing", "decides": "the client"}  # fmt: skip
            while True:
                status, told = self.benches[which % len(self.benches)].ask("/intake", body)
                (won if status == 200 else refused).append(told)
                if status != 200:
                    return

        hands = [threading.Thread(target=hand, args=(n,)) for n in range(3)]
        for each in hands:
            each.start()
        for each in hands:
            each.join()
        assert len(won) == size and len(refused) == 3 and len({each["reel"] for each in won}) == size, (
            won,
            refused,
        )
        assert all("all of them are in the book" in each["error"] for each in refused)
        for which in range(1, size + 1):
            self.taken_in(order, which)

    def note(self, operator, chance, number, step, place):
        if chance.random() < 0.06:
            self.cli("reel", "note", number, "--by", f"op{operator}", "--step", step, "--place", place)
        else:
            self.page(
                operator, "/note", {"reel": number, "by": f"op{operator}", "step": step, "place": place}
            )
        self.tell(step)
        with self.guard:
            self.where[number] = place
        self.see(operator + 1, number)

    def see(self, operator, number):
        """The reel is where the account says, asked at the other bench."""
        told = self.page(operator, f"/reel/{number}")
        place = self.where[number]
        wanted = ("returned", "") if place is None else ("in the shop", place)
        assert (told["state"], told["place"]) == wanted, (number, told["state"], told["place"], wanted)

    def inspect(self, operator, chance, number, held):
        self.note(operator, chance, number, "inspected", f"light table {operator}")
        seen, found = ["splices=2, sound", "warp=flat"], ""
        if chance.random() < 0.2:
            seen += ["strip level=1.5", "strip hours=24", "strip temperature=21 C"]
        if not held and chance.random() < 0.08:
            found = "mould"
            seen += ["mould=dry, at the head"]
        self.page(operator, "/condition", {"reel": number, "by": f"op{operator}", "seen": seen})
        self.tell("condition")
        self.tell("conditions noted", len(seen))
        for kind, _ in HELD.get(found, ()):
            self.tell(f"hold on {kind}")
            self.holds[number] += 1
        self.put(self.lift if held or found else self.scan, number)

    def lift(self, operator, chance, number):
        """A held reel does not run; the person named lifts each hold, and three who try at once lift it once."""
        by = f"op{operator}"
        self.page(
            operator, "/note", {"reel": number, "by": by, "step": "scanned", "place": "machine"}, status=422
        )
        for hold in self.page(operator, f"/reel/{number}")["holds"]:
            self.page(operator, "/lift", {"hold": hold["id"], "by": by, "why": "I say so"}, status=400)
            statuses = []

            def try_it(which, hold=hold, statuses=statuses):
                body = {"hold": hold["id"], "by": hold["lifter"], "why": "looked at under the fume cupboard"}
                statuses.append(self.benches[which % len(self.benches)].ask("/lift", body)[0])

            hands = [threading.Thread(target=try_it, args=(n,)) for n in range(3)]
            for each in hands:
                each.start()
            for each in hands:
                each.join()
            assert sorted(statuses) == [200, 422, 422]
            self.tell("hold lifted")
        self.put(self.scan, number)

    def scan(self, operator, chance, number):
        self.note(operator, chance, number, "scanned", f"machine {operator % 2 + 1}")
        self.note(operator, chance, number, "rewound", f"shelf {chance.randint(1, 9)}")
        self.put(self.check, number)

    def check(self, operator, chance, number):
        self.note(operator, chance, number, "checked", "shelf of those that go")
        order = number[:7]
        with self.guard:
            self.reels_left[order] -= 1
            last = self.reels_left[order] == 0
        if last:
            self.put(self.hand_back, order)

    def hand_back(self, operator, chance, order):
        """Film of another order is refused; then three hand the parcel back at once, and it goes once."""
        counts = self.parcels[order]
        numbers = [n for n in sorted(self.where) if n.startswith(order)]
        body = {"order": order, "by": f"op{operator}", "reels": numbers, "to": "the client"}
        body |= {kind.replace(" ", "_"): counts[kind] for kind in KINDS}
        with self.guard:
            theirs = next(
                (n for n, place in self.where.items() if not n.startswith(order) and place is not None), ""
            )
        if theirs:
            self.page(operator, "/hand-back", body | {"reels": [*numbers[:-1], theirs]}, status=422)
        self.page(operator, "/hand-back", body | {"notes": counts["notes"] + 1}, status=422)
        statuses = []

        def give(which):
            statuses.append(self.benches[which % len(self.benches)].ask("/hand-back", body)[0])

        hands = [threading.Thread(target=give, args=(n,)) for n in range(3)]
        for each in hands:
            each.start()
        for each in hands:
            each.join()
        assert sorted(statuses) == [200, 422, 422], statuses
        self.tell("handed back")
        self.tell("returned", len(numbers))
        with self.guard:
            self.where |= dict.fromkeys(numbers)
        self.see(operator + 1, numbers[0])

    # The account at the end

    def agrees(self, folder):
        """The whole book, exported by the command, against the account and against a plain recomputation from its events."""
        check = self.cli("office", "check")
        assert check["faults"] == []
        self.cli("office", "export", str(folder))
        book = json.loads((folder / "office.json").read_text())
        told = Counter(event["what"] for event in book["event"])
        account = Counter({what: n for what, n in self.did.items() if n and what != "conditions noted"})
        assert told == account, (told - account, account - told)
        assert len(book["condition"]) == self.did["conditions noted"]
        assert [event["seq"] for event in book["event"]] == list(range(1, len(book["event"]) + 1))
        places = {}
        for event in book["event"]:  # where each reel was after every single event
            number = event["reel"]
            if event["what"] == "taken in":
                assert number not in places
                places[number] = "counter"
            elif event["what"] == "returned":
                assert places[number] is not None, "a reel went back twice"
                places[number] = None
            elif event["words"].startswith("lies at "):
                assert places[number] is not None, "something happened to a reel that was gone"
                places[number] = event["words"].removeprefix("lies at ").partition(";")[0]
        assert places == self.where
        stored = {r["number"]: r["place"] if r["state"] == "in the shop" else None for r in book["reel"]}
        assert stored == self.where
        for row in book["counted"]:
            order = order_number(row["order"])
            assert row["came"] == self.parcels[order][row["kind"]] == row["went"], row
        assert all(hold["lifted_at"] and hold["lifted_why"] for hold in book["hold"])
        assert len(book["hold"]) == sum(self.holds.values())
        (self.shelf / "tariff.toml").write_text(TARIFF)
        for order, feet in self.feet.items():
            quote = self.cli("quote", order, "--tariff", str(self.shelf / "tariff.toml"))
            price = sum(6 + Fraction(22, 100) * n for n in feet)
            assert [Fraction(each) for each in quote["price"]] == [price, price], order
        return {
            "orders": len(self.parcels),
            "reels": len(self.where),
            "events": len(book["event"]),
            **self.asked,
        }
