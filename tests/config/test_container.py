"""docker-compose.yml and the image: valid, safe, and its steps work in a plain folder.

No container is built here: the compose file is parsed with models made from the Compose specification, and
the Dockerfile's own steps (what is copied, collecting static files, the entry point, the health check) are
carried out in an empty folder with the locked packages of this environment.
"""

import copy
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from compose_pydantic import ComposeSpecification
from pydantic import ValidationError

from config.local.process import Service
from config.local.stack import free_port

ROOT = Path(__file__).resolve().parents[2]
DOCKER = ROOT / "config" / "docker"
DOCKERFILE = (DOCKER / "Dockerfile").read_text().replace("\\\n", "")
OURS = ("migrate", "web", "worker", "webhooks", "beat")


@pytest.fixture
def compose() -> dict[str, Any]:
    loaded = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    return {name: value for name, value in loaded.items() if not name.startswith("x-")}


def test_it_follows_the_compose_specification(compose: dict[str, Any]) -> None:
    ComposeSpecification.model_validate(compose)


@pytest.mark.parametrize(
    ("key", "value"), [("imag", "x"), ("depends_on", {"a": {"condition": "soon"}}), ("ports", "80:80")]
)
def test_the_specification_refuses_nonsense(compose: dict[str, Any], key: str, value: object) -> None:
    broken = copy.deepcopy(compose)
    broken["services"]["web"][key] = value
    with pytest.raises(ValidationError):
        ComposeSpecification.model_validate(broken)


def test_all_parts_are_there_and_each_that_stays_is_watched(compose: dict[str, Any]) -> None:
    services = compose["services"]
    assert services.keys() == {*OURS, "postgres", "valkey", "proxy"}
    assert [name for name, part in services.items() if "healthcheck" not in part] == ["migrate"]


def test_nothing_starts_before_what_it_needs(compose: dict[str, Any]) -> None:
    needs = {name: part.get("depends_on", {}) for name, part in compose["services"].items()}
    for name in ("web", "worker", "webhooks", "beat"):
        assert needs[name]["migrate"] == {"condition": "service_completed_successfully"}
        assert needs[name]["valkey"] == {"condition": "service_healthy"}
    assert needs["migrate"]["postgres"] == {"condition": "service_healthy"}
    assert needs["proxy"]["web"] == {"condition": "service_healthy"}


def test_no_secret_stands_in_the_file(compose: dict[str, Any]) -> None:
    known = compose["secrets"].keys()
    assert all(value.keys() == {"file"} for value in compose["secrets"].values())
    for part in compose["services"].values():
        assert set(part.get("secrets", [])) <= known
        for name, value in part.get("environment", {}).items():
            secret = re.search(r"KEY|PASSWORD|SECRET|DATABASE_URL", name)
            assert not secret or (name.endswith("_FILE") and value.startswith("/run/secrets/"))


def test_only_the_migrate_step_holds_the_owner_of_the_tables(compose: dict[str, Any]) -> None:
    holders = [name for name in OURS if "owner_url" in compose["services"][name]["secrets"]]
    assert holders == ["migrate"]


def test_servers_are_reached_from_inside_only(compose: dict[str, Any]) -> None:
    assert [name for name, part in compose["services"].items() if "ports" in part] == ["proxy"]
    assert compose["networks"]["inside"]["internal"] is True
    for name in ("postgres", "valkey"):
        assert compose["services"][name]["networks"] == ["inside"]


def test_our_parts_run_without_rights(compose: dict[str, Any]) -> None:
    for name in OURS:
        part = compose["services"][name]
        assert part["read_only"] is True
        assert part["cap_drop"] == ["ALL"]
        assert part["security_opt"] == ["no-new-privileges:true"]
    assert re.findall(r"^USER (\S+)$", DOCKERFILE, re.M)[-1] not in ("root", "0")


def test_mounted_files_exist(compose: dict[str, Any]) -> None:
    mounts = [text.split(":")[0] for part in compose["services"].values() for text in part.get("volumes", [])]
    files = [name for name in mounts if name.startswith("./")]
    assert files
    assert not [name for name in files if not (ROOT / name).exists()]


def test_the_image_installs_the_lock_by_hash_and_the_same_system_libraries_as_the_set_up() -> None:
    assert re.search(r"pip install .*--require-hashes -r \S*requirements\.txt", DOCKERFILE)
    (packages,) = re.findall(r"apt-get install -y --no-install-recommends ([^&]+)", DOCKERFILE)
    wanted = re.findall(r"^need (\S+)", (ROOT / "config/local/setup.sh").read_text(), re.M)
    assert set(packages.split()) == set(wanted[1:6])
    assert wanted[0] == "python3-venv"


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """A folder with what the Dockerfile copies, and nothing else."""
    folder = tmp_path / "srv"
    folder.mkdir()
    for words in re.findall(r"^COPY (?!--from)(.+)$", DOCKERFILE, re.M):
        *sources, target = words.split()
        if target.startswith("/build"):
            continue
        for source in sources:
            copy_into(ROOT / source, folder / source)
    return folder


def copy_into(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        shutil.copy2(source, target)


def steps_environment(folder: Path) -> dict[str, str]:
    """What a container would be given, with the servers of this run; nothing of the checkout."""
    path = f"{Path(sys.executable).parent}:/usr/bin:/bin"
    names = ("SECRET_KEY", "EVENT_CHAIN_KEY", "DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL")
    given = {name: os.environ[name] for name in names}
    fixed = {"PATH": path, "DJANGO_SETTINGS_MODULE": "config.settings", "PYTHONDONTWRITEBYTECODE": "1"}
    places = {"STATIC_ROOT": str(folder / "static"), "VAR_ROOT": str(folder / "var")}
    return given | fixed | places | {"PUBLIC_URL": "https://flow.example.org", "BEHIND_PROXY": "1"}


@pytest.mark.journey
def test_the_steps_of_the_image_work_in_a_plain_folder(image: Path, tmp_path: Path) -> None:
    environment = steps_environment(image)
    (collect,) = re.findall(r"^RUN (DEBUG=1 python manage.py collectstatic.*)$", DOCKERFILE, re.M)
    subprocess.run(["sh", "-c", collect], cwd=image, env=environment, check=True)
    assert (image / "static" / "staticfiles.json").is_file()

    entry = str(image / "config/docker/entrypoint.sh")
    secret = tmp_path / "owner_url"
    secret.write_text(environment.pop("DATABASE_OWNER_URL"))
    serving = environment.pop("DATABASE_URL")
    migrating = environment | {"DATABASE_URL_FILE": str(secret)}
    subprocess.run([entry, "migrate", "--verbosity", "0"], cwd=image, env=migrating, check=True)

    port = str(free_port())
    environment |= {"DATABASE_URL": serving, "PORT": port, "LISTEN": "127.0.0.1", "WEB_WORKERS": "1"}
    check = [sys.executable, "config/docker/healthcheck.py"]

    def healthy() -> bool:
        return subprocess.run(check, cwd=image, env=environment, capture_output=True).returncode == 0

    web = Service("web", [entry, "web"], tmp_path / "web.log", environment, healthy, folder=image)
    try:
        web.start()
        web.wait_ready()
    finally:
        web.stop()
    assert not healthy()


def test_an_unreadable_secret_stops_the_part(tmp_path: Path) -> None:
    environment = {"PATH": "/usr/bin:/bin", "SECRET_KEY_FILE": str(tmp_path / "missing")}
    done = subprocess.run([DOCKER / "entrypoint.sh", "web"], env=environment, capture_output=True, text=True)
    assert done.returncode == 1
    assert f"SECRET_KEY_FILE={tmp_path}/missing cannot be read" in done.stderr
