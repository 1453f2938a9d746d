#!/bin/sh
# Runs in the guest. Its share holds this file and the test program that build put there.
here=$(cd "$(dirname "$0")" && pwd)

# The guest has no device manager: this keeps the names by id that one would.
names=/dev/serial/by-id
mkdir -p $names
(
  while :; do
    for link in $names/*; do
      [ -L "$link" ] && [ ! -e "$link" ] && rm -f "$link"
    done
    for tty in /sys/class/tty/ttyUSB*; do
      serial=$(cat "$tty/device/../../serial" 2>/dev/null) || continue
      name=$names/usb-bench_$serial-if00-port0
      if [ -e "/dev/${tty##*/}" ] && [ ! -e "$name" ]; then
        ln -sf "../../${tty##*/}" "$name"
      fi
    done
    sleep 0.1
  done
) &
manager=$!

n=0
while [ -z "$(ls $names)" ] && [ $n -lt 100 ]; do
  sleep 0.1
  n=$((n + 1))
done
PAINTMARK_BENCH_TTY=${1:-/dev/ttyUSB0} "$here/serialport.test" -test.run '^TestBench$' -test.v -test.timeout 300s
status=$?
kill $manager
exit $status
