# shellcheck shell=dash
# . /bench/usb.sh: USB serial. There is no device manager here; the loop keeps the
# names by id that one would.
for module in xhci_pci usbserial ftdi_sio cdc_acm; do modprobe $module || echo "bench: no module $module"; done
names=/dev/serial/by-id
mkdir -p $names
while :; do
	for link in "$names"/*; do
		[ -L "$link" ] && [ ! -e "$link" ] && rm -f "$link"
	done
	for tty in /sys/class/tty/ttyUSB* /sys/class/tty/ttyACM*; do
		for usb in "$tty"/device/.. "$tty"/device/../..; do
			[ -e "$usb/serial" ] && [ -e "/dev/${tty##*/}" ] && ln -sf "../../${tty##*/}" "$names/usb-bench_$(cat "$usb/serial")-if00"
		done
	done
	sleep 0.1
done 2>/dev/null &
