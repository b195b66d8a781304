"""The operators' guide without containers, typed as it stands on three clean machines with a running systemd.

    python tests/compose/walk_guide.py FOLDER [--influx FOLDER]

As root, with debootstrap and systemd-nspawn (Debian: debootstrap, systemd-container) and a network. FOLDER keeps the
machines' files (3 GB) for the next time. Plant side, edge box and second recorder are booted, each with a network of
its own on one bridge; installing alone goes by this machine's network. Typed otherwise than written are only the
password, which is handed over, the network's address, and what the guide leaves to its reader (agent.toml, plant.env,
the sheet). `--influx`: where `influxd` and `influx` of InfluxDB 2 are; without it what needs databases is left out.
Ends with 1 at the first line that fails.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
GUIDE = (REPOSITORY / "compose/operating.md").read_text(encoding="utf-8")
BRIDGE = "asleft-walk"
PLANT, EDGE, SECOND = "10.0.0.10", "10.0.0.20", "10.0.0.30"
RECORDS = "--records 'postgresql://asleft@plant.example/asleft?sslmode=verify-full&sslrootcert=/etc/asleft/ca.crt'"
STORES = f"--samples influxs://plant.example:8086/asleft?org=asleft&ca=/etc/asleft/ca.crt {RECORDS}".replace("'", "")
AS_ASLEFT = "runuser -u asleft -- env PGPASSFILE=/etc/asleft/pgpass /opt/asleft/venv/bin/asleft"
PATIENCE_S = 90.0


def blocks(part: str, kind: str = "sh") -> list[str]:
    """What is typed in a part of the guide, block by block."""
    found = re.search(rf"^#+ {re.escape(part)}\n(.*?)(?=^##)", GUIDE, re.DOTALL | re.MULTILINE)
    assert found is not None, part
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", found.group(1), re.DOTALL | re.MULTILINE)
    return [lines for language, lines in fenced if language == kind]


class Machine:
    """A root folder, and the booted system in it."""

    def __init__(self, root: Path, address: str) -> None:
        self.root, self.address = root, address
        self.container: subprocess.Popen[bytes] | None = None
        self.leader = 0

    def boot(self) -> None:
        """Boot, and give it its address."""
        (self.root / "etc/hosts").write_text(f"127.0.0.1 localhost\n{PLANT} plant.example\n")
        (self.root / "etc/resolv.conf").write_text(Path("/etc/resolv.conf").read_text())
        self.container = subprocess.Popen(
            ["systemd-nspawn", "-q", "-b", "-D", self.root, "--register=no", "--keep-unit", "--console=pipe",
             f"--machine={self.root.name}", f"--network-bridge={BRIDGE}"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        until(self._led, "a first process")
        until(lambda: self.asked("systemctl is-system-running") in ("running", "degraded"), "booted")
        self.type(f"ip addr add {self.address}/24 dev host0; ip link set host0 up")

    def _led(self) -> bool:
        """Whether its own first process is there; another child prepares the way for it."""
        assert self.container is not None
        children = Path(f"/proc/{self.container.pid}/task/{self.container.pid}/children").read_text().split()
        for child in children:
            with suppress(FileNotFoundError):
                if Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                    self.leader = int(child)
                    return True
        return False

    def type(self, lines: str, *, where: str = "/root", outside: bool = False, given: str = "") -> str:
        """Type lines in a shell of the machine; `outside`: by the network of the machine it runs on."""
        spaces = ["-m", "-p", "-u", "-i", *([] if outside else ["-n"])]
        done = subprocess.run(
            ["nsenter", "-t", str(self.leader), *spaces, "env", "-i", "HOME=/root", "LANG=C.UTF-8",
             "PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND=noninteractive",
             "sh", "-euc", f"cd {where}\n{lines}"],
            input=given, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode != 0:
            raise SystemExit(f"{self.root.name}: {lines}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
        return done.stdout

    def asked(self, line: str) -> str:
        """What a command says, whatever it ends with."""
        return self.type(f"{line} 2>&1 || true").strip()

    def off(self) -> None:
        """As if the power went."""
        if self.container is not None and self.container.poll() is None:
            with suppress(ProcessLookupError):
                os.kill(self.leader, signal.SIGKILL)
            try:
                self.container.wait(10)
            except subprocess.TimeoutExpired:
                self.container.kill()
                self.container.wait()


def until(there: Callable[[], bool], what: str) -> float:
    """Wait for something; how long it took (s)."""
    begin = time.monotonic()
    while not there():
        if time.monotonic() - begin > PATIENCE_S:
            raise SystemExit(f"not within {PATIENCE_S:.0f} s: {what}")
        time.sleep(0.2)
    took = time.monotonic() - begin
    print(f"  {what}: {took:.1f} s", flush=True)
    return took


def installed(folder: Path) -> Path:
    """A clean Debian with the guide's first lines typed in it."""
    clean = folder / "clean"
    if not (clean / "opt/asleft/venv/bin/asleft").exists():
        shutil.rmtree(clean, ignore_errors=True)
        packages = "systemd,systemd-sysv,dbus,ca-certificates,iproute2,procps"
        run(["debootstrap", "--variant=minbase", f"--include={packages}", "bookworm", str(clean)])
        shutil.copy("/etc/ssl/certs/ca-certificates.crt", clean / "etc/ssl/certs/ca-certificates.crt")
        release = subprocess.run(
            ["git", "-C", str(REPOSITORY), "archive", "--prefix=asleft/", "HEAD"], stdout=subprocess.PIPE, check=True
        )
        subprocess.run(["tar", "x", "-C", clean / "root"], input=release.stdout, check=True)
        lines = (
            "cd /root/asleft; export DEBIAN_FRONTEND=noninteractive; apt-get update -qq\n" + blocks("Plant side")[0]
        )
        run(["systemd-nspawn", "-q", "-D", str(clean), "--register=no", "--keep-unit", "--resolv-conf=copy-host",
             "--pipe", "sh", "-euc", lines])  # fmt: skip
    shutil.copytree(REPOSITORY / "compose", clean / "opt/asleft/compose", dirs_exist_ok=True)
    return clean


def run(command: list[str]) -> None:
    """Run a command that has to work."""
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def plant_side(plant: Machine) -> None:
    """All of it; the sheet is one that the command makes, filled in."""
    _, certificates, broker, proxy, services, sheet = blocks("Plant side")
    for lines in (certificates, broker, proxy):
        plant.type(lines, where="/opt/asleft/compose")
    services = services.replace(
        "add YOUR-NAME --role administrator", "add boss --password-stdin --role administrator"
    )
    plant.type(services, where="/opt/asleft/compose", given="copper ladder seven owls\n")
    plant.type(
        "/opt/asleft/venv/bin/asleft sheet new --valve-id press-4.platen --press 'Press 4' "
        "--at 2026-03-02T08:00:00Z | sed 's/^# ramp_up = 1.2/ramp_up = 1.2/' >press-4.toml"
    )
    plant.type(sheet)
    page = "import ssl,urllib.request as u; print(u.urlopen('https://plant.example/readyz', context=ssl."
    page += "create_default_context(cafile='/etc/asleft/ca.crt')).read())"
    until(lambda: "b'ok" in plant.asked(f'python3 -c "{page}"'), "the dashboard is ready, by its name and TLS")
    assert plant.asked("systemctl list-units --failed --plain --no-legend") == ""


def edge_box(plant: Machine, edge: Machine) -> None:
    """An agent of four simulated presses, which may speak for one valve."""
    plant.type("./certificates.sh agent hall-1", where="/opt/asleft/compose")
    box = edge.root / "root/box"
    box.mkdir(exist_ok=True)
    for name in ("ca.crt", "hall-1.crt", "hall-1.key"):
        shutil.copy(plant.root / "opt/asleft/compose/certificates" / name, box)
    shutil.copy(REPOSITORY / "compose/systemd/asleft-agent.service", box)
    settings = (REPOSITORY / "compose/agent.toml").read_text(encoding="utf-8")
    (own,) = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)
    head = settings.index('agent = "hall-1"')
    box.joinpath("agent.toml").write_text(own + settings[settings.index("\n[spool]", head) :])
    edge.type("systemd-run -q --unit=presses /opt/asleft/venv/bin/asleft sim")
    time.sleep(10.0)
    edge.type(blocks("Edge box")[0], where="/root/box")
    (bind,) = blocks("Edge box", "")
    plant.type(bind)
    written = "asleft export --valve press-4.platen --data /var/lib/asleft --output /var/lib/asleft/out.csv"
    line = f"runuser -u asleft -- /opt/asleft/venv/bin/{written} && wc -l </var/lib/asleft/out.csv"
    until(lambda: plant.asked(line).split()[-1].isdigit(), "readings of the edge box are stored")


def stored(edge: Machine) -> bool:
    """Whether the recorder has confirmed what the edge box read."""
    waiting = re.search(r"(\d+) blocks? wait", edge.asked("systemctl show -p StatusText asleft-agent"))
    return waiting is not None and int(waiting[1]) < 30


def databases(plant: Machine, programs: Path) -> None:
    """PostgreSQL and InfluxDB 2, with TLS, and all records and samples in them from now on."""
    postgresql, influx, first, tls = blocks("Databases, where you want them")
    plant.type(postgresql, outside=True)
    for name in ("influxd", "influx"):
        shutil.copy(programs / name, plant.root / "usr/local/bin")
    keys = "/opt/asleft/compose/certificates/broker"
    serving = f"systemd-run -q --unit=influxdb2 -E HOME=/root influxd --tls-cert {keys}.crt --tls-key {keys}.key"
    plant.type(serving)
    host = "export INFLUX_HOST=https://plant.example:8086 SSL_CERT_FILE=/etc/asleft/ca.crt\n"
    until(lambda: "OK" in plant.asked(f"{host}influx ping"), "InfluxDB 2 answers")
    plant.type(host + influx)
    plant.type(tls)
    env = (plant.root / "etc/asleft/plant.env").read_text()
    env = re.sub(r"^# ASLEFT_STORES=.*", lambda _: f'ASLEFT_STORES="{STORES}"', env, flags=re.MULTILINE)
    env = re.sub(r"^# (ASLEFT_INFLUX_TOKEN_FILE|PGPASSFILE)", r"\1", env, flags=re.MULTILINE)
    (plant.root / "etc/asleft/plant.env").write_text(env)
    first = first.replace("add YOUR-NAME", "add boss --password-stdin")
    first = first.replace("--records postgresql://asleft@127.0.0.1/asleft", RECORDS)
    plant.type(first, given="copper ladder seven owls\n")
    for valve in ("press-4.platen", "press-1.platen"):
        plant.type(f"{AS_ASLEFT} agents bind hall-1 {valve} --data /var/lib/asleft {RECORDS}")


def second_recorder(plant: Machine, second: Machine, edge: Machine) -> None:
    """On a machine of its own; it takes over from the first, and the first from it."""
    plant.type(blocks("A second recorder")[0], where="/opt/asleft/compose")
    second.type("install -d -o root -g root /etc/asleft")
    certificates = plant.root / "opt/asleft/compose/certificates"
    for file in (certificates / "RECORDER-2.crt", certificates / "RECORDER-2.key",
                 *(plant.root / "etc/asleft" / name for name in ("ca.crt", "pgpass", "influx_token"))):  # fmt: skip
        shutil.copy(file, second.root / "etc/asleft")
    env = (plant.root / "etc/asleft/plant.env").read_text().replace("/RECORDER.", "/RECORDER-2.")
    (second.root / "etc/asleft/plant.env").write_text(f'{env}ASLEFT_RECORD="--client-id RECORDER-2"\n')
    second.type(
        "chown asleft pgpass influx_token RECORDER-2.key; chmod 400 pgpass influx_token RECORDER-2.key\n"
        "install -m 644 /opt/asleft/compose/systemd/asleft-record.service /etc/systemd/system/\n"
        "systemctl daemon-reload\nsystemctl enable --now asleft-record",
        where="/etc/asleft",
    )
    plant.type("systemctl stop asleft-record")
    until(lambda: "agent hall-1 is ours" in second.asked("journalctl -u asleft-record"), "the second has the agent")
    plant.type("systemctl start asleft-record")
    second.off()
    until(
        lambda: "is ours, after RECORDER-2" in plant.asked("journalctl -u asleft-record"), "taken over by the first"
    )
    until(lambda: stored(edge), "the edge box has nothing that waits")


def the_end(plant: Machine, edge: Machine, *, with_databases: bool) -> None:
    """A box is revoked, the plant side is off and on again, and taken away."""
    plant.type(blocks("Edge box")[1], where="/opt/asleft/compose")
    said = "may be revoked"
    until(lambda: said in edge.asked("journalctl -u asleft-agent"), "the revoked box is out, and says why")
    plant.off()
    plant.boot()
    active = "systemctl is-active asleft-record asleft-web mosquitto nginx"
    until(lambda: plant.asked(active).split() == ["active"] * 4, "after the power was off, all is back")
    programs, data, nginx = blocks("Uninstall", "")
    plant.type(programs)
    kept = [line for line in data.splitlines() if with_databases or not line.startswith(("influx ", "runuser "))]
    plant.type("\n".join(line for line in kept if not line.startswith("influx ")))  # tried by test_guide_influx2.py
    plant.type(nginx, outside=True)
    plant.type("nginx -t")
    assert not [one for one in ("opt/asleft", "etc/asleft", "var/lib/asleft") if (plant.root / one).exists()]
    assert plant.asked("systemctl list-units --failed --plain --no-legend 'asleft*' 'mosquitto*'") == ""


def main() -> None:
    """Walk it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--influx", type=Path, metavar="FOLDER", help="of influxd and influx, both of InfluxDB 2")
    args = parser.parse_args()
    args.folder.mkdir(exist_ok=True)
    clean = installed(args.folder)
    machines = []
    run(["ip", "link", "add", BRIDGE, "type", "bridge"])
    try:
        run(["ip", "link", "set", BRIDGE, "up"])
        for name, address in (("plant", PLANT), ("edge", EDGE), ("second", SECOND)):
            shutil.rmtree(args.folder / name, ignore_errors=True)
            run(["cp", "-a", "--reflink=auto", str(clean), str(args.folder / name)])
            machines.append(Machine(args.folder / name, address))
            machines[-1].boot()
        plant, edge, second = machines
        plant_side(plant)
        edge_box(plant, edge)
        if args.influx is not None:
            databases(plant, args.influx)
            second_recorder(plant, second, edge)
        the_end(plant, edge, with_databases=args.influx is not None)
    finally:
        for machine in machines:
            machine.off()
        run(["ip", "link", "del", BRIDGE])
    print("walked")


if __name__ == "__main__":
    main()
