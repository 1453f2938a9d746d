#!/bin/sh
# acm.sh plug SERIAL: makes a USB device with a serial port of its own (CDC-ACM),
# as instruments have, at /dev/ttyACM0; what is written to /dev/ttyGS0 comes from it.
# acm.sh unplug: takes it out.
gadget=/sys/kernel/config/usb_gadget/bench
if [ "$1" = unplug ]; then
	echo "" >$gadget/UDC
	exit
fi
if [ ! -d $gadget ]; then
	for module in dummy_hcd libcomposite usb_f_acm cdc_acm; do modprobe $module || exit; done
	mount -t configfs none /sys/kernel/config 2>/dev/null
	mkdir -p $gadget/strings/0x409 $gadget/configs/c.1 $gadget/functions/acm.usb0
	echo 0x1209 >$gadget/idVendor # 1209:0001 is for tests (pid.codes)
	echo 0x0001 >$gadget/idProduct
	echo "Bench instrument" >$gadget/strings/0x409/product
	ln -s $gadget/functions/acm.usb0 $gadget/configs/c.1/
fi
echo "$2" >$gadget/strings/0x409/serialnumber
echo dummy_udc.0 >$gadget/UDC
stty -F /dev/ttyGS0 raw -echo
