#!/bin/sh
# Runs once at the boot of a Debian root under systemd: install, and the service by its unit. Lines that begin with "==" are read by the test.
exec >/root/told.txt 2>&1
set -u
mark() { echo "== $*"; }
ip link set lo up
cd /root/bundle || exit 1
./install --config /root/site.toml --tls || exit 1
mark "service $(systemctl is-active holdwater) broker $(systemctl is-active mosquitto)"
./install --tls >/tmp/again
grep -q 'did:' /tmp/again || mark "second install did nothing"
/opt/holdwater/current/bin/python - <<'PY'
import json, pathlib, subprocess, time
import paho.mqtt.publish as publish
subprocess.run(["holdwater", "setup", "box", "house"], check=True, stdout=open("/tmp/card", "w"))
password = next(line.split()[2] for line in open("/tmp/card") if "password" in line)
end = time.monotonic() + 60
while True:
    try:
        publish.single("water/node/house/readings", json.dumps([{"n": "gap", "u": "m", "v": 1.0}]), qos=1, hostname="127.0.0.1", port=8883,
                       auth={"username": "house", "password": password}, tls={"ca_certs": "/etc/holdwater/ca.crt"})
        break
    except Exception as error:
        assert time.monotonic() < end, error
        time.sleep(1)
while "house:gap" not in subprocess.run(["holdwater", "export", "readings"], capture_output=True, text=True).stdout:
    assert time.monotonic() < end
    subprocess.run(["holdwater", "note", "other", "--text", "so that the batch is written at once"], capture_output=True)
    time.sleep(0.5)
print("== stored under the hardened unit")
PY
mark "user $(stat -c %U /proc/"$(systemctl show -p MainPID --value holdwater)")"
before=$(systemctl show -p MainPID --value holdwater)
systemctl kill -s KILL holdwater
end=60
while [ "$(systemctl is-active holdwater)" != active ] && [ $end -gt 0 ]; do
    sleep 1
    end=$((end - 1))
done
[ "$before" != "$(systemctl show -p MainPID --value holdwater)" ] && mark "killed and $(systemctl is-active holdwater) again"
systemctl start holdwater-certificates.service && mark "certificates looked at"
journalctl -u holdwater -p warning --no-pager -o cat | grep -q . && mark "the journal knows severities"
journalctl -u holdwater --no-pager -o cat | grep -q '^<' || mark "no marks in the journal's text"
mark "exposure $(systemd-analyze security holdwater.service --no-pager | sed -n 's/.*level for holdwater.service: \([0-9.]*\).*/\1/p')"
./install --uninstall >/tmp/gone && mark "uninstalled, service $(systemctl is-active holdwater)"
mark "all done"
systemctl poweroff
