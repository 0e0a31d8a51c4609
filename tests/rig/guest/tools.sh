# Words for scenarios, run in the guest.

# tell NAME ARGUMENT...: the program under test; its document, its words and its exit status go to the share.
tell() {
  local name=$1 command=$2 status=0
  shift 2
  # Before the rest: behind a `--` it would be a word of a guarded command.
  timeout -s KILL "${HOLD_LIMIT:-120}" holdpoint "$command" --json "$@" >"/share/$name.json" 2>"/share/$name.err" || status=$?
  echo "$status" >"/share/$name.status"
}

# say NAME VALUE: one fact for the host.
say() {
  local name=$1
  shift
  printf '%s\n' "$*" >"/share/$name.said"
}

# tried NAME COMMAND...: the exit status and words of a command that may fail.
tried() {
  local name=$1 status=0
  shift
  "$@" >"/share/$name.tried" 2>&1 || status=$?
  say "$name" "$status"
}

# await PATH: until a device node is there.
await() {
  local left=150
  until [ -e "$1" ]; do
    left=$((left - 1))
    if [ $left -eq 0 ]; then
      echo "RIG-TROUBLE $1 never came"
      return 1
    fi
    usleep 100000
  done
}

# mark NAME: tells the host that the guest is here, and waits until it has acted.
mark() {
  echo "RIG-MARK $1"
  await "/share/go-$1"
}

# fact NAME PATH: what a file of /sys says, blanks at the ends cut off.
fact() {
  say "$1" "$(sed 's/^ *//; s/ *$//' <"$2")"
}

# destination: the second disk, for copies and the job.
destination() {
  await /dev/vda
  mount -t ext4 /dev/vda /dest
}
