#!/bin/sh
# Runs inside a clean Debian root, as root, without network but loopback: install, first reading stored, page, upgrade, uninstall.
# Each line that begins with "==" is read by the test.
set -eu
cd /root/bundle

now() { date +%s.%N; }
mark() { echo "== $*"; }
since() { awk -v a="$1" -v b="$(now)" 'BEGIN { printf "%.1f", b - a }'; }
listing() { find / -xdev \( -path /proc -o -path /tmp -o -path /root \) -prune -o -printf '%p %m %u %s %l\n' 2>/dev/null | LC_ALL=C sort; }

listing >/tmp/before
./install --dry-run --config /root/site.toml --tls >/tmp/dry
listing >/tmp/after
cmp /tmp/before /tmp/after && mark "dry run changed nothing"
grep -c would: /tmp/dry | sed 's/^/== dry run said /'

began=$(now)
./install --config /root/site.toml --tls
mark "install seconds $(since "$began")"
./install --tls >/tmp/again
if grep -E '^ *did:' /tmp/again; then exit 1; fi
mark "second install did nothing"
mark "disk kB $(du -sk /opt/holdwater | cut -f1)"
mark "store mode $(stat -c '%a %U' /var/lib/holdwater)"
mark "secret mode $(stat -c '%a %U:%G' /etc/holdwater/broker.password) $(stat -c '%a %U:%G' /etc/mosquitto/holdwater.passwords) $(stat -c '%a %U' /etc/holdwater/ca/ca.key)"

install -d -o mosquitto /run/mosquitto
mosquitto -d -c /etc/mosquitto/mosquitto.conf
# mosquitto -d comes back before its port is open
python3 - <<'PY'
import socket, time
end = time.monotonic() + 60
while True:
    try:
        socket.create_connection(("127.0.0.1", 1883), 1).close()
        break
    except OSError:
        assert time.monotonic() < end, open("/var/log/mosquitto/mosquitto.log").read()
        time.sleep(0.1)
PY
holdwater setup box house >/tmp/card
grep -q 'may come in at the broker now' /tmp/card && mark "box enrolled"
began=$(now)
exec_start=$(sed -n 's/^ExecStart=//p' /etc/systemd/system/holdwater.service)
# shellcheck disable=SC2086
setpriv --reuid holdwater --regid holdwater --init-groups $exec_start --trust-clock >/tmp/run.log 2>&1 &
pid=$!
/opt/holdwater/current/bin/python - <<'PY'
import json, pathlib, re, ssl, threading, time, urllib.request
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

began = time.monotonic()
while "connected to" not in pathlib.Path("/tmp/run.log").read_text() and "ready:" not in pathlib.Path("/tmp/run.log").read_text():
    assert time.monotonic() - began < 120, pathlib.Path("/tmp/run.log").read_text()
    time.sleep(0.1)
password = re.search(r"password +(\S+)", pathlib.Path("/tmp/card").read_text())[1]

def box(login, port, tls):
    """A sensor box: connects, says whether it was let in."""
    answers, done = [], threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="")
    client.username_pw_set("house", login)
    if tls:
        client.tls_set(ca_certs="/etc/holdwater/ca.crt", tls_version=ssl.PROTOCOL_TLS_CLIENT)
    client.on_connect = lambda c, d, f, reason, p: (answers.append(str(reason)), done.set())
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert done.wait(60)
    return client, answers[0]

stranger, said = box("wrong", 8883, True)
print("== wrong password:", said)
stranger.disconnect()
client, said = box(password, 8883, True)
print("== right password over TLS:", said)
payload = json.dumps([{"n": "gap", "u": "m", "v": 1.0}])
client.publish("water/node/house/readings", payload, qos=1).wait_for_publish(60)
end = time.monotonic() + 120
import subprocess
while True:
    told = subprocess.run(["holdwater", "export", "readings"], capture_output=True, text=True).stdout
    if "house:gap" in told:
        break
    assert time.monotonic() < end, told + pathlib.Path("/tmp/run.log").read_text()
    time.sleep(0.5)
print("== stored:", told.strip().splitlines()[-1])
page = urllib.request.urlopen("http://127.0.0.1:8080/", timeout=60).read().decode()
print("== page answers:", "gal" in page and "house" in page)
client.disconnect()
PY
mark "first reading seconds $(since "$began")"
mark "memory kB $(sed -n 's/^VmRSS:[[:space:]]*\([0-9]*\).*/\1/p' /proc/$pid/status)"
kill "$pid"
wait "$pid" || true
grep -q 'stopped' /tmp/run.log && mark "stopped cleanly"

# The broker's certificate: renewed with a new name, read by the running broker, and still trusted by who trusts the authority.
old=$(openssl x509 -noout -serial -in /etc/mosquitto/certs/holdwater.crt)
/opt/holdwater/tools/certificates renew >/tmp/renew
grep -q 'as it was' /tmp/renew && mark "good certificate left alone"
/opt/holdwater/tools/certificates renew --name water.home >/tmp/renew
[ "$old" != "$(openssl x509 -noout -serial -in /etc/mosquitto/certs/holdwater.crt)" ] && mark "certificate renewed"
sleep 1
openssl s_client -connect 127.0.0.1:8883 -servername water.home -verify_hostname water.home -CAfile /etc/holdwater/ca.crt </dev/null 2>/dev/null |
    grep -q 'Verify return code: 0' && mark "broker serves the new one"
kill "$(cat /run/mosquitto/mosquitto.pid)"

# A config that the new release does not take: the old release stays in use.
cp /etc/holdwater/holdwater.toml /tmp/good.toml
echo '[nonsense]' >>/etc/holdwater/holdwater.toml
was=$(readlink /opt/holdwater/current)
echo "# another build" >>README.md
sha256sum "$(pwd)/README.md" >/dev/null
sed -i "s|^[0-9a-f]*  README.md$|$(sha256sum README.md | cut -d' ' -f1)  README.md|" SHA256SUMS
if ./install >/tmp/refused 2>&1; then exit 1; fi
[ "$was" = "$(readlink /opt/holdwater/current)" ] && grep -q 'the old one stays in use' /tmp/refused && mark "refused upgrade left the old release"
cp /tmp/good.toml /etc/holdwater/holdwater.toml
./install >/tmp/upgraded
[ "$was" != "$(readlink /opt/holdwater/current)" ] && [ -d "/opt/holdwater/$was" ] && mark "upgraded, the old release kept"

# A bundle that was changed on the way is not installed.
echo "x" >>"$(find wheels -type f | head -n 1)"
if ./install >/tmp/damaged 2>&1; then exit 1; fi
grep -q 'damaged or was changed' /tmp/damaged && mark "damaged bundle refused"

./install --uninstall >/tmp/gone
[ ! -e /opt/holdwater ] && [ ! -e /usr/local/bin/holdwater ] && [ ! -e /etc/systemd/system/holdwater.service ] && mark "program gone"
[ -s /var/lib/holdwater/store.db ] && [ -s /etc/holdwater/holdwater.toml ] && [ -s /etc/holdwater/broker.password ] && mark "data kept"
mark "all done"
