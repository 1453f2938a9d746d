# shellcheck shell=dash
# Runs in the machine: what a USB adapter and a CDC-ACM instrument do to device/serialport
# and to the program.
. /bench/usb.sh
failed=0
program=$$
await() { # WHAT COMMAND…: gives up after a minute, or when the program has ended
	what=$1 until=$(($(date +%s) + 60))
	shift
	until "$@"; do
		if [ "$(date +%s)" -gt $until ] || ! kill -0 $program; then
			echo "bench: waited in vain for $what"
			exit 1
		fi
		sleep 0.1
	done
}
echo "bench asks: plug BENCH-1"
await "the adapter" test -e /dev/serial/by-id/usb-bench_BENCH-1-if00
PAINTMARK_BENCH_TTY=/dev/ttyUSB0 ./serialport.test -test.run '^TestBench$' -test.v -test.timeout 120s || failed=1
PAINTMARK_BENCH_ACM=/bench/acm.sh ./serialport.test -test.run '^TestBenchACM$' -test.v -test.timeout 60s || failed=1
/bench/acm.sh unplug

# The program, in the middle of a stream: the adapter is taken out, another one put
# in, and the first one again, under another name because its old one is held.
echo "bench asks: unplug"
await "the adapter to be gone" test ! -e /dev/ttyUSB0
echo "bench asks: plug BENCH-1"
await "the adapter" test -e /dev/ttyUSB0
export PAINTMARK_SHELF=/tmp/shelf PAINTMARK_STATION=bench TZ=UTC
./paintmark open b1 --plan plan.toml --identity "engine number=1" || exit
mkfifo /tmp/commands
./paintmark record b1 --json --at serial:usb=BENCH-1 --profile wrench.toml </tmp/commands >/share/told.jsonl &
program=$!
exec 8>/tmp/commands
told() { [ "$(grep -c "\"event\":\"$1\"" /share/told.jsonl)" -ge "$2" ]; }
await "the program" told next 1
await "the port to be open" sh -c './paintmark ports | grep -q "usb=BENCH-1.*in use by"'
echo 'bench asks: stream +%04d.0 Nm OK\r\n'
await "readings" told reading 10
exec 9<>/dev/ttyUSB0
echo "bench asks: unplug"
await "the loss" told lost 1
echo "bench asks: plug BENCH-2"
await "the other adapter" test -e /dev/ttyUSB1
sleep 2 # four looks for the right one
./paintmark ports --json | tee /share/other.json
echo "bench asks: unplug"
await "the other adapter to be gone" test ! -e /dev/ttyUSB1
cp /share/told.jsonl /share/before.jsonl
echo "bench asks: plug BENCH-1"
await "the adapter found again" told found 1
./paintmark ports --json | tee /share/again.json
await "readings" told reading 25
echo "bench asks: stream"
echo quit >&8
wait $program
echo "bench: the program ended with $?"
cp /tmp/shelf/* /share/
exit $failed
