# shellcheck shell=dash
# Runs in the machine: what Bluetooth LE does to device/ble. Not in one machine with the
# serial port profile: an instrument that was seen by both is called by the older.
. /bench/bluetooth.sh
PAINTMARK_BENCH_BLE=hci0,hci1,$BLUETOOTHD ./ble.test -test.run '^TestBench$' -test.v -test.timeout 250s
