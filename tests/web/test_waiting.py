from collections.abc import Callable

from fastapi.testclient import TestClient


def test_pieces_wait_worst_first_with_age_and_words(client: TestClient, add: Callable[..., int]) -> None:
    clean, damaged = add(seed=1), add(chips=2, cracks=1, seed=2)
    page = client.get("/").text
    assert "2 pieces waiting" in page
    assert page.index(f'href="/pieces/{damaged}"') < page.index(f'href="/pieces/{clean}"')
    assert "2 chips, 1 hairline crack" in page
    assert "Nothing flagged" in page
    assert "31 h" in page
