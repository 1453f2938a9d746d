#!/bin/sh
# run.sh [CENTRAL [FAR]]: runs in the guest, where D-Bus, two Bluetooth adapters
# and bluetoothd are up, whose process is $BLUETOOTHD. The program reads by CENTRAL
# (hci0); the instrument is made of FAR (hci1).
here=$(cd "$(dirname "$0")" && pwd)
PAINTMARK_BENCH_BLE=${1:-hci0},${2:-hci1},${BLUETOOTHD:-$(pidof bluetoothd)} \
  "$here/ble.test" -test.run '^TestBench$' -test.v -test.timeout 300s
