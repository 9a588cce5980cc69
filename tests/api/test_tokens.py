"""Tokens: made once, kept as hashes in a file of their own, refused once revoked."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sandtrack_api.access import ROLES
from sandtrack_api.tokens import Tokens

from sandtrack.cli import main
from sandtrack.errors import InputErrors, ShopFileError

from .clients import Clock, Running, is_problem

TEN_MINUTES_US = 600_000_000


def run(*words: str, shop: Path) -> Result:
    """Run `sandtrack …` on a shop."""
    return CliRunner(env={"SANDTRACK_SHOP": str(shop)}).invoke(main, list(words), catch_exceptions=False)


@pytest.fixture
def tokens(tmp_path: Path) -> Tokens:
    """The tokens of a shop that need not be there."""
    return Tokens.beside(tmp_path / "shop.sandtrack", Clock())


def test_a_token_is_found_by_its_text_alone(tokens: Tokens):
    """What was made is found by its whole text and by nothing less."""
    made, text = tokens.make(role="operator", name="ida")
    assert tokens.find(text) == made
    for wrong in (text[:-1], text + "x", text.partition(".")[2], made.id, f"{made.id}.", "", ".", text.upper()):
        assert tokens.find(wrong) is None


def test_secrets_are_not_kept(tokens: Tokens):
    """The file holds no secret, only its owner may read it, and two tokens of one name differ."""
    _, first = tokens.make(role="operator", name="ida")
    _, second = tokens.make(role="operator", name="ida")
    kept = tokens.path.read_bytes()
    for text in (first, second):
        secret = text.partition(".")[2]
        assert len(secret) >= 43  # 32 random bytes in base 64
        assert secret.encode() not in kept
    assert first != second
    if os.name == "posix":
        assert stat.S_IMODE(tokens.path.stat().st_mode) == 0o600


def test_the_shop_file_knows_of_no_token(service: Running):
    """Nothing of a token is in the shop file, which may be handed round."""
    files = [path for path in service.path.parent.iterdir() if path.name.startswith(service.path.name)]
    kept = b"".join(path.read_bytes() for path in files if "tokens" not in path.name)
    for text in service.texts.values():
        for part in text.split("."):
            assert part.encode() not in kept


def test_a_revoked_token_is_refused_from_the_next_request_on(service: Running):
    """Revoked by another program while the service runs, a token is 401 at once, and for good."""
    assert service.operator.get("/v1/stock").status_code == 200
    others = Tokens.beside(service.path)
    token_id = service.texts["operator"].partition(".")[0]
    gone = others.revoke(token_id)
    is_problem(service.operator.get("/v1/stock"), 401, "unauthorized", "was revoked")
    assert others.revoke(token_id).revoked == gone.revoked
    assert service.moulder.get("/v1/stock").status_code == 200


def test_a_token_made_while_the_service_runs_works_at_once(service: Running):
    """A new token needs no new start of the service."""
    _, text = Tokens.beside(service.path).make(role="operator", name="otto")
    assert service.client.get("/v1/stock", headers={"Authorization": f"Bearer {text}"}).status_code == 200


def test_without_its_file_nobody_may(service: Running):
    """If the file of tokens is taken away, or another put in its place, the tokens that were in it are refused."""
    assert service.operator.get("/v1/stock").status_code == 200
    service.tokens.path.rename(service.tokens.path.with_suffix(".away"))
    is_problem(service.operator.get("/v1/stock"), 401, "unauthorized")
    _, text = Tokens.beside(service.path).make(role="operator", name="otto")
    is_problem(service.operator.get("/v1/stock"), 401, "unauthorized")
    assert service.client.get("/v1/stock", headers={"Authorization": f"Bearer {text}"}).status_code == 200


def test_last_use_is_noted_now_and_then(tokens: Tokens):
    """The first use is noted, and then at most one in ten minutes."""
    clock = tokens.clock
    assert isinstance(clock, Clock)
    began = clock.now
    made, text = tokens.make(role="operator", name="ida")
    assert made.last_used is None
    noted = []
    for minutes in (0, 5, 9, 10, 15, 25):
        clock.now = began + minutes * 60_000_000
        tokens.find(text)
        (listed,) = tokens.listed()
        assert listed.last_used is not None
        noted.append((listed.last_used - began) // 60_000_000)
    assert noted == [0, 0, 0, 10, 10, 25]


def test_a_use_that_cannot_be_noted_is_no_failure(tokens: Tokens):
    """While another program writes the file, tokens are found all the same."""
    made, text = tokens.make(role="operator", name="ida")
    other = sqlite3.connect(tokens.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert tokens.find(text) == made
    other.execute("ROLLBACK")
    other.close()
    (listed,) = tokens.listed()
    assert listed.last_used is None


def test_many_threads_at_once(tokens: Tokens):
    """Eight threads that look up and make tokens all find what they should."""
    _, text = tokens.make(role="operator", name="ida")
    failed: list[object] = []

    def work(number: int) -> None:
        try:
            for _ in range(20):
                assert tokens.find(text) is not None
            made, own = tokens.make(role="moulder", name=f"m{number}")
            assert tokens.find(own) == made
        except Exception as problem:
            failed.append(problem)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(tokens.listed()) == 9


@pytest.mark.parametrize(
    ("role", "name", "mixer", "said"),
    [
        ("boss", "ida", "", "role: 'boss' is no role; accepted: screen, device, tablet"),
        ("device", "m1", "", "mixer: is missing: a device is bound to its own mixer"),
        ("operator", "ida", "m1", "mixer: 'm1' is only for a device, tablet"),
        ("operator", "", "", "name: '' is empty"),
        ("operator", "a;b", "", "name: 'a;b' holds a ';'"),
    ],
)
def test_a_token_that_makes_no_sense_is_not_made(tokens: Tokens, role: str, name: str, mixer: str, said: str):
    """A role that there is not, a device without its mixer, a name that cannot be a sender: refused, no file made."""
    with pytest.raises(InputErrors, match=None) as caught:
        tokens.make(role=role, name=name, mixer=mixer)
    assert said in str(caught.value)
    assert not tokens.path.exists()


def test_a_file_of_something_else_is_left_alone(tokens: Tokens):
    """What is no file of tokens is neither used nor changed."""
    tokens.path.write_bytes(b"notes, long enough to be taken for something " * 40)
    with pytest.raises(ShopFileError, match="if it is damaged, delete it and make the tokens anew"):
        tokens.make(role="operator", name="ida")
    with sqlite3.connect(tokens.path.with_name("other")) as other:
        other.execute("CREATE TABLE token (id)")
    other.close()
    mistaken = Tokens(tokens.path.with_name("other"))
    with pytest.raises(ShopFileError, match="is not a file of tokens"):
        mistaken.make(role="operator", name="ida")


def test_a_damaged_file_is_a_failure_of_the_service(service: Running):
    """If the file of tokens cannot be read, the service is unavailable: it neither opens up nor blames the token."""
    service.app.extensions["sandtrack"].close()
    service.tokens.path.write_bytes(b"not a database at all, but long enough to look like one " * 20)
    answer = service.operator.get("/v1/stock")
    body = is_problem(answer, 503, "shop_file", "shop.sandtrack.tokens cannot be used")
    assert str(service.path.parent) not in body["detail"]
    assert answer.headers["Retry-After"] == "5"


def test_by_command(new_shop: Path):
    """Made, listed, used and revoked by command; the text is printed alone, so that it can be piped."""
    done = run("token", "make", "--role", "device", "--name", "m1", "--mixer", "m1", shop=new_shop)
    assert done.exit_code == 0, done.output
    text = done.stdout.strip()
    assert "shown this once" in done.stderr
    assert Tokens.beside(new_shop).find(text) is not None
    as_json = json.loads(run("token", "make", "--role", "manager", "--name", "greta", "--json", shop=new_shop).stdout)
    assert as_json.keys() == {"id", "name", "role", "mixer", "place", "expires", "token"}
    listed = json.loads(run("token", "list", "--json", shop=new_shop).stdout)
    assert [(one["name"], one["role"], one["mixer"], one["revoked"]) for one in listed] == [
        ("m1", "device", "m1", None),
        ("greta", "manager", None, None),
    ]
    assert text.partition(".")[2] not in run("token", "list", shop=new_shop).output
    gone = run("token", "revoke", text.partition(".")[0], shop=new_shop)
    assert gone.output.startswith("revoked token")
    assert "of m1 (device)" in gone.output
    assert Tokens.beside(new_shop).find(text) is None
    assert run("token", "revoke", "nothing", shop=new_shop).exit_code == 2


def test_expiry_and_rotation_by_command(new_shop: Path):
    """Made for some days, rotated with an overlap, both listed with when they expire; a wrong place is refused."""
    make = ("token", "make", "--json", "--role")
    made = json.loads(run(*make, "sensor", "--name", "s1", "--place", "silo_new", "--days", "30", shop=new_shop).stdout)
    assert (made["place"], made["mixer"]) == ("silo_new", None)
    done = run("token", "rotate", made["id"], "--overlap-h", "8", "--json", shop=new_shop)
    assert done.exit_code == 0, done.output
    new = json.loads(done.stdout)
    assert (new["role"], new["name"], new["place"]) == ("sensor", "s1", "silo_new")
    expires = {one["id"]: one["expires"] for one in json.loads(run("token", "list", "--json", shop=new_shop).stdout)}
    assert expires[made["id"]] < made["expires"] <= expires[new["id"]] == new["expires"]
    assert run("token", "rotate", "nothing", shop=new_shop).exit_code == 2
    wrong = run(*make, "reclaimer", "--name", "r1", "--place", "silo_new", shop=new_shop)
    assert (wrong.exit_code, "place: 'silo_new' is a silo" in wrong.output) == (2, True)
    assert run(*make, "reclaimer", "--name", "r1", "--place", "reclaimer_f", shop=new_shop).exit_code == 0


def test_a_device_s_mixer_is_one_of_the_set_up(new_shop: Path):
    """A token for a mixer that the shop does not have is not made."""
    done = run("token", "make", "--role", "device", "--name", "m9", "--mixer", "m9", shop=new_shop)
    assert done.exit_code == 2
    assert "mixer 'm9' is not in the set-up; there are: m1, m2" in done.output
    assert "there is no token yet" in run("token", "list", shop=new_shop).output


def test_commands_offer_the_roles(new_shop: Path):
    """`token make --help` names every role."""
    shown = run("token", "make", "--help", shop=new_shop).output
    assert all(role in shown for role in ROLES)
