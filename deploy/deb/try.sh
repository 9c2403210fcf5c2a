#!/usr/bin/env bash
# Tries a package as a keeper would, on a clean Debian: deploy/deb/try.sh PACKAGE. As root; it needs debootstrap,
# mosquitto-clients and aiosmtpd. A clean Debian of its own is made in a folder, and shares only the network with us.
set -euo pipefail

[ $# -eq 1 ] || { echo "usage: deploy/deb/try.sh PACKAGE" >&2; exit 2; }
deb=$(realpath "$1")
tmp=$(mktemp -d)
fresh=$tmp/debian mqtt=$((20000 + RANDOM % 10000)) smtp=$((30000 + RANDOM % 2000)) page=$((40000 + RANDOM % 10000))
finish() {
	local status=$?
	[ $status -eq 0 ] || cat "$tmp"/*.log >&2
	kill $(jobs -p) 2>/dev/null || true
	wait || true
	rm -rf "$tmp"
}
trap finish EXIT

# await waits until a command goes through.
await() {
	local tries
	for tries in $(seq 300); do
		"$@" >/dev/null 2>&1 && return
		sleep 0.2
	done
	echo "waited a minute in vain for: $*" >&2
	return 1
}
inside=(chroot "$fresh" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin)

debootstrap --variant=minbase bookworm "$fresh" >"$tmp/debootstrap.log" 2>&1
cp "$deb" "$fresh/root/nightwire.deb"
python=$(python3 -c "import aiosmtpd" 2>/dev/null && echo python3 || echo /usr/bin/python3) # Debian's has it, another may not
PYTHONUNBUFFERED=1 "$python" -m aiosmtpd -n -l "127.0.0.1:$smtp" >"$tmp/mail.log" 2>&1 &

echo "1. install"
"${inside[@]}" dpkg -i /root/nightwire.deb >"$tmp/dpkg.log" 2>&1
echo "2. a farm file"
"${inside[@]}" nightwire init --out /etc/nightwire/farm.yaml --farm alder-bank --zone brook:180:pigs \
	--mail-to aoife@farm.example --mail-server "127.0.0.1:$smtp" >"$tmp/init.log"
printf 'broker: {listen: "127.0.0.1:%s"}\npage: {listen: "127.0.0.1:%s"}\n' "$mqtt" "$page" >>"$fresh/etc/nightwire/farm.yaml"
echo "3. start"
"${inside[@]}" nightwire run --config /etc/nightwire/farm.yaml --data /var/lib/nightwire >"$tmp/run.log" 2>&1 &
await grep -q "connected to the broker" "$tmp/run.log"
echo "4. to 6. a fence that was hot, and then is not"
for kv in 7.4 0.0 0.0; do
	mosquitto_pub -p "$mqtt" -q 1 -t alder-bank/brook/kv -m "$kv"
done
await grep -qi "^subject:.*brook" "$tmp/mail.log"
grep -i "^subject:" "$tmp/mail.log"

echo "upgrade, removal and purge leave the data"
kill %2
wait %2
"${inside[@]}" dpkg -i /root/nightwire.deb >>"$tmp/dpkg.log" 2>&1
"${inside[@]}" nightwire status --config /etc/nightwire/farm.yaml --data /var/lib/nightwire | grep "brook"
"${inside[@]}" dpkg --purge nightwire >>"$tmp/dpkg.log" 2>&1
test -s "$fresh/var/lib/nightwire/nightwire.db" && test -s "$fresh/etc/nightwire/farm.yaml" && test ! -e "$fresh/usr/bin/nightwire"
echo "all held"
