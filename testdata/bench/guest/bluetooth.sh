# shellcheck shell=dash
# . /bench/bluetooth.sh: D-Bus, two emulated Bluetooth adapters, hci0 and hci1, and
# bluetoothd, whose process is $BLUETOOTHD; both adapters are switched on.
# The emulated adapters need the cipher modules, and while they wait for them they do
# not answer the kernel, which waits for 2 s.
for module in algif_hash algif_skcipher cmac ecb bluetooth rfcomm hci_vhci; do modprobe $module || echo "bench: no module $module"; done
cat >/tmp/bus.conf <<'END'
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN" "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path=/run/dbus/system_bus_socket</listen>
  <auth>EXTERNAL</auth>
  <policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/></policy>
</busconfig>
END
until_true() { # COMMAND: gives up after 5 s or more
	tries=0
	until "$@" || [ $tries -ge 50 ]; do
		sleep 0.1
		tries=$((tries + 1))
	done
}
adapter() { # NAME METHOD ARGUMENT…
	dbus-send --system --print-reply --dest=org.bluez "/org/bluez/$1" "org.freedesktop.DBus.Properties.$2" string:org.bluez.Adapter1 "$3" ${4:+"$4"} >/dev/null 2>&1
}
mkdir -p /run/dbus
dbus-daemon --config-file=/tmp/bus.conf --nofork --nopidfile &
until_true test -S /run/dbus/system_bus_socket
ready() { hciconfig -a 2>/dev/null | grep -c 'BD Address: 00:AA' | grep -q 2; }
for attempt in 1 2 3 4 5; do # on a busy machine the kernel may give up on one after 2 s
	btvirt -l2 >/tmp/btvirt.log 2>&1 &
	btvirt=$!
	until_true test -e /sys/class/bluetooth/hci1
	until_true ready
	ready && break
	echo "bench: attempt $attempt: the emulated adapters are not ready"
	kill $btvirt
	sleep 1
done
bluetoothd -n >/tmp/bluetoothd.log 2>&1 &
export BLUETOOTHD=$!
for name in hci0 hci1; do
	until_true adapter $name Get string:Address
	adapter $name Set string:Powered variant:boolean:true || echo "bench: $name stays off"
done
