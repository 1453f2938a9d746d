# shellcheck shell=dash
# Runs in the machine: what Bluetooth's serial port profile does to device/serialport
# and to the program.
. /bench/bluetooth.sh
failed=0
PAINTMARK_BENCH_RFCOMM=hci0,hci1 ./serialport.test -test.run '^TestBenchBluetooth$' -test.v -test.timeout 90s || failed=1

# The program reads a stream from a Bluetooth port whose link is broken.
far=$(hciconfig hci1 | awk '/BD Address/ {print $3}')
while :; do rfcomm -r -i hci1 listen /dev/rfcomm1 1 >/dev/null 2>&1 || sleep 0.2; done &
answering=$!
n=0
while :; do
	n=$((n + 1))
	# shellcheck disable=SC2016 # for the inner shell
	[ ! -c /dev/rfcomm1 ] || N=$n timeout 2 sh -c 'printf "+%04d.0 Nm OK\r\n" "$N" >/dev/rfcomm1' 2>/dev/null
	sleep 0.2
done &
sending=$!
./paintmark ports
./paintmark listen serial:/dev/rfcomm0 --profile wrench.toml --json --for 14s >/share/heard.jsonl &
program=$!
sleep 6
hcitool -i hci0 dc "$far" || failed=1
wait $program
echo "bench: the program ended with $?"
kill $answering $sending
exit $failed
