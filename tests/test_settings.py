from pathlib import Path

import platformdirs
import pytest

from inspector.errors import InputError
from inspector.settings import read_settings


def test_the_data_folder_that_was_asked_for_comes_first(tmp_path):
    settings = read_settings(data_dir=tmp_path / "asked", environ={"INSPECTOR_DATA": str(tmp_path / "environ")})
    assert settings.data_dir == tmp_path / "asked"


def test_then_comes_the_environment(tmp_path):
    assert read_settings(environ={"INSPECTOR_DATA": str(tmp_path)}).data_dir == tmp_path


def test_the_database_is_that_of_the_option_then_of_the_environment_then_a_file():
    environ = {"INSPECTOR_DATABASE": "postgresql://host/shop"}
    assert read_settings(database="postgresql://host/other", environ=environ).database == "postgresql://host/other"
    assert read_settings(environ=environ).database == "postgresql://host/shop"
    assert read_settings(environ={"INSPECTOR_DATABASE": " "}).database is None


def test_the_photos_are_where_the_option_says_then_the_environment_then_in_the_folder():
    environ = {"INSPECTOR_PHOTOS": "s3://workshop/photos"}
    assert read_settings(photos="s3://other", environ=environ).photos == "s3://other"
    assert read_settings(environ=environ).photos == "s3://workshop/photos"
    assert read_settings(environ={"INSPECTOR_PHOTOS": " "}).photos is None


def test_photos_are_compared_as_the_option_says_then_the_environment_then_both_ways():
    assert read_settings(engine="both", environ={"INSPECTOR_ENGINE": "classic"}).engine == "both"
    assert read_settings(environ={"INSPECTOR_ENGINE": "classic "}).engine == "classic"
    assert read_settings(environ={"INSPECTOR_ENGINE": " "}).engine == "both"
    with pytest.raises(InputError, match="INSPECTOR_ENGINE says 'new'"):
        read_settings(environ={"INSPECTOR_ENGINE": "new"})


def test_then_comes_the_data_folder_of_the_user():
    expected = Path(platformdirs.user_data_dir("inspector", appauthor=False))
    assert read_settings(environ={}).data_dir == expected
    assert read_settings(environ={"INSPECTOR_DATA": " "}).data_dir == expected


def test_a_relative_data_folder_is_fixed_at_the_start(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    settings = read_settings(data_dir=Path("data"), environ={})
    assert settings.data_dir == tmp_path / "data"


def test_the_pages_are_served_to_this_machine_only_by_default():
    assert read_settings(environ={}).host == "127.0.0.1"


@pytest.mark.parametrize(
    ("asked", "needed"),
    [
        ({}, False),
        ({"host": "127.0.0.1"}, False),
        ({"host": "127.8.0.1"}, False),
        ({"host": "::1"}, False),
        ({"host": "localhost"}, False),
        ({"host": "0.0.0.0"}, True),
        ({"host": "::"}, True),
        ({"host": "192.168.7.20"}, True),
        ({"host": "shop.example"}, True),
        ({"allowed_hosts": ["shop.example"]}, True),
        ({"proxies": ["127.0.0.1"]}, True),
    ],
)
def test_accounts_are_needed_where_others_than_the_people_at_the_machine_come(tmp_path, asked, needed):
    assert read_settings(data_dir=tmp_path, environ={}, **asked).needs_accounts is needed
