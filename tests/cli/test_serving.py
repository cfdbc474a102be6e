import http.client
import re
import socket
import ssl
import subprocess
import sys
import urllib.parse
import urllib.request
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def serving(tmp_path):
    with served(tmp_path / "data") as process:
        yield process


@contextmanager
def served(data_dir, *options):
    command = [sys.executable, "-c", "from inspector.cli import app; app()", "serve", "--port", "0", *options]
    process = subprocess.Popen(
        [*command, "--data", str(data_dir)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate(timeout=30)


def test_the_pages_are_served_at_the_address_that_is_printed(serving, tmp_path):
    line = serving.stdout.readline()
    address = re.search(r"http://127\.0\.0\.1:\d+/", line)
    assert address, line + serving.stderr.read()
    with urllib.request.urlopen(address[0], timeout=60) as answer:
        assert answer.status == 200
        assert "<html" in answer.read().decode()
    assert (tmp_path / "data" / "log.sqlite3").is_file()


def test_a_port_that_is_taken_is_told(run):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = run("serve", "--port", port)
    assert result.exit_code == 1
    assert f"Port {port} of 127.0.0.1 cannot be used" in result.stderr
    assert "--port" in result.stderr


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """A certificate of this machine for a day, that vouches for itself."""
    folder = tmp_path_factory.mktemp("tls")
    pem, key = folder / "shop.pem", folder / "shop.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "1",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", pem],
        check=True, capture_output=True,
    )  # fmt: skip
    return pem, key


def ask(connection, method, path, *, headers=None, **fields):
    form = {"Content-Type": "application/x-www-form-urlencoded"} if fields else {}
    connection.request(method, path, body=urllib.parse.urlencode(fields) or None, headers={**form, **(headers or {})})
    answer = connection.getresponse()
    answer.read()
    return answer


def first_account(connection, link, **headers):
    """Use the link that was printed; give what the browser is to remember."""
    password = "four words in a row"
    code = urllib.parse.parse_qs(urllib.parse.urlsplit(link).query)["code"][0]
    answer = ask(
        connection, "POST", "/set-password", code=code, name="Marta", password=password, again=password, headers=headers
    )
    assert answer.status == 303
    return answer.headers.get_all("set-cookie")


def test_on_the_network_a_link_is_printed_and_the_rest_is_for_those_who_signed_in(tmp_path, certificate):
    pem, key = certificate
    options = ("--host", "0.0.0.0", "--certificate", str(pem), "--key", str(key))
    with served(tmp_path / "data", *options) as process:
        first, _, link = (process.stdout.readline() for _ in range(3))
        port = int(re.search(r"https://[\d.]+:(\d+)/", first)[1])
        assert "/set-password?code=" in link, first + link + process.stderr.read()
        trusting = ssl.create_default_context(cafile=pem)
        with closing(http.client.HTTPSConnection("127.0.0.1", port, context=trusting, timeout=60)) as connection:
            assert ask(connection, "GET", "/pours", headers={"Accept": "text/html"}).status == 303
            assert ask(connection, "GET", "/pours").status == 401
            # Nobody who says so is taken for a proxy.
            forged = {"X-Forwarded-Proto": "http", "X-Forwarded-For": "10.0.0.1"}
            cookies = first_account(connection, link, **forged)
            assert all(cookie.startswith("__Host-inspector-") and "Secure" in cookie for cookie in cookies)
            signed_in = {"Cookie": "; ".join(cookie.partition(";")[0] for cookie in cookies)}
            assert ask(connection, "GET", "/pours", headers=signed_in).status == 200
            assert ask(connection, "GET", "/pours", headers={**signed_in, "Host": "evil.example"}).status == 421


def test_behind_a_proxy_that_is_named_its_word_counts(tmp_path):
    with served(tmp_path / "data", "--proxy", "127.0.0.1", "--allowed-host", "shop.example") as process:
        first, _, link = (process.stdout.readline() for _ in range(3))
        port = int(re.search(r"http://127.0.0.1:(\d+)/", first)[1])
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
            passed_on = {"Host": "shop.example", "X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9"}
            assert ask(connection, "GET", "/pours", headers=passed_on).status == 401
            cookies = first_account(connection, link, **passed_on)
            assert all(cookie.startswith("__Host-inspector-") and "Secure" in cookie for cookie in cookies)

            # Wrong tries are counted by the address of who tries, not by that of the proxy.
            def fails_as(number, address):
                wrong = {"name": f"Nobody {number}", "password": "wrong words in a row"}
                headers = {**passed_on, "X-Forwarded-For": address}
                return ask(connection, "POST", "/sign-in", headers=headers, **wrong).status

            # The waits double: however slow this machine is just now, one of them is longer than a try.
            assert 429 in (fails_as(number, "203.0.113.9") for number in range(20))
            assert fails_as(99, "203.0.113.10") == 401
