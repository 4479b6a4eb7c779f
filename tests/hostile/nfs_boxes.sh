#!/bin/bash
# Two boxes that share one secondary over a real NFS: a run on one of them keeps the other out.
#
#   tests/hostile/nfs_boxes.sh        as root; some minutes; says PASSED or what was wrong
#
# This needs a kernel with an NFS server and client, which a small box or a container may lack. So it boots one of its
# own as a process: user-mode Linux (Debian: user-mode-linux, nfs-kernel-server, kmod). Within it each "box" has a
# network, a host name, mounts and a state directory of its own, and mounts what the server exports: by NFS 4.2, NFS 3
# with its lock protocol, and NFS 3 without any locks. Nothing of this machine is written but one temporary folder.
set -u
here="$(readlink -f "$0")"
python="${PYTHON:-$(command -v python3)}"

on_the_host() {
  work="$(mktemp -d -p /var/tmp)" # not in /tmp, which is another one within
  trap 'rm -rf "$work"' EXIT
  truncate -s 400M "$work/drive.img" && mkfs.ext4 -q -F "$work/drive.img"
  mkdir -p "$work/lib" && ln -s /usr/lib/uml/modules "$work/lib/modules"
  cp -r "$(dirname "$here")/../../src" "$work/src"
  cp "$here" "$work/boxes.sh"
  printf '#!/bin/bash\nexec bash %q within %q %q\n' "$work/boxes.sh" "$work" "$python" >"$work/init"
  chmod +x "$work/init"
  timeout 1800 linux.uml mem=600M root=/dev/root rootfstype=hostfs rootflags=/ ro "ubd0=$work/drive.img" \
    "init=$work/init" con=null con0=null,fd:1 con1=null </dev/null >"$work/log" 2>&1
  sed -n '/^=== NFS/,$p' "$work/log"
  grep -q '^PASSED' "$work/log"
}

# --- within: the server, then the boxes

serve() {
  export PATH=/usr/sbin:/sbin:/usr/bin:/bin HOME=/tmp
  mount -t proc proc /proc && mount -t sysfs sysfs /sys
  for each in /run /tmp /mnt /var/lib/nfs; do mount -t tmpfs tmpfs "$each"; done
  hostname server && ip link set lo up
  for each in nfsd nfs nfsv3 nfsv4 veth; do modprobe -d "$work" "$each"; done
  mount -t nfsd nfsd /proc/fs/nfsd
  mkdir -p /var/lib/nfs/{rpc_pipefs,sm,sm.bak,v4recovery} /mnt/drive
  mount -t rpc_pipefs rpc_pipefs /var/lib/nfs/rpc_pipefs
  touch /var/lib/nfs/{etab,rmtab,state}
  mount -t ext4 /dev/ubda /mnt/drive && mkdir /mnt/drive/second
  rpcbind -w && rpc.statd --no-notify
  exportfs -o rw,no_root_squash,insecure,fsid=0,no_subtree_check '*:/mnt/drive/second'
  rpc.mountd && rpc.nfsd --grace-time 10 --lease-time 10 4
  sleep 15 # while an NFS server recovers from its start, it gives no locks
}

declare -A pid_of number_of=([alto]=1 [bass]=2)

box() { # name: begins it
  unshare --net --uts --mount sleep 100000 &
  pid_of[$1]=$!
  local number=${number_of[$1]}
  sleep 1
  ip link add "v$number" type veth peer name eth0 netns "${pid_of[$1]}"
  ip addr add "10.0.$number.1/24" dev "v$number" && ip link set "v$number" up
  at "$1" sh -c "mount -t tmpfs tmpfs /run; mount -t tmpfs tmpfs /var/lib/nfs; mkdir /var/lib/nfs/sm /var/lib/nfs/sm.bak
    touch /var/lib/nfs/state; hostname $1; ip link set lo up; ip addr add 10.0.$number.2/24 dev eth0
    ip link set eth0 up; rpcbind -w; rpc.statd --no-notify"
}

at() { local name=$1; shift; nsenter -t "${pid_of[$name]}" -n -u -m "$@"; }

nf() { # name, words of a command
  local name=$1; shift
  at "$name" "$python" -m nightferry --config "/mnt/$name/nightferry.toml" "$@" >/tmp/said 2>&1
}

wrong=0
expect() { # what, the code it ended with, the codes that are right
  echo "$1: $2"
  [[ " $3 " == *" $2 "* ]] || { wrong=1; echo "WRONG: expected $3"; grep -v '^$' /tmp/said | tail -5; }
}

try() { # mount options, what the second of two has to end with
  echo "=== NFS $1"
  rm -rf /mnt/drive/second/* /mnt/drive/second/.nightferry* /mnt/first /mnt/*/state
  mkdir -p /mnt/first
  for name in alto bass; do
    mkdir -p "/mnt/$name/second" "/mnt/$name/state"
    top=/mnt/drive/second
    [[ $1 == vers=4* ]] && top=/
    at "$name" mount -t nfs -o "$1" "10.0.${number_of[$name]}.1:$top" "/mnt/$name/second" || wrong=1
    cat >"/mnt/$name/nightferry.toml" <<CONFIGURATION
state_dir = "/mnt/$name/state"
defaults = { require_mount = false, settle_quiet = "0s", keep_free = "0" }
[[pair]]
name = "recordings"
primary = "/mnt/first"
secondary = "/mnt/$name/second"
CONFIGURATION
  done
  for each in 1 2 3; do head -c 100000 /dev/urandom >"/mnt/first/$each.wav"; done
  nf alto pair --yes recordings; expect "alto: pair" $? 0
  nf alto run; expect "alto: run" $? 0
  cp -a /mnt/alto/state/. /mnt/bass/state/
  head -c 60000000 /dev/urandom >/mnt/first/long.wav
  at alto "$python" -m nightferry --config /mnt/alto/nightferry.toml run --json >/tmp/alto.json 2>/dev/null &
  local run=$!
  until grep -q '"phase": "copy"' /mnt/alto/state/recordings/status.json; do sleep 0.1; done
  pids="$(pgrep -f 'mnt/alto/nightferry.toml run')"
  kill -STOP $pids
  nf bass run; expect "bass: run, while alto copies" $? "$2"
  if [[ $2 == 5 ]]; then nf bass verify; expect "bass: verify, while alto copies" $? 5; fi
  kill -CONT $pids
  wait $run
  if [[ $2 == 5 ]]; then
    nf bass run; expect "bass: run, with a state that is older by now" $? 3
    nf alto run; expect "alto: run" $? 0
    diff -r -x '.nightferry*' /mnt/first /mnt/drive/second/copy >/tmp/said; expect "the copy is the primary" $? 0
  fi
  for name in alto bass; do at "$name" umount "/mnt/$name/second"; done
}

within() {
  work=$1 python=$2
  export PYTHONPATH="$work/src" PYTHONDONTWRITEBYTECODE=1
  serve
  box alto
  box bass
  try vers=4.2 5
  try vers=3 5
  try vers=3,nolock "0 1 3 4 5" # only told: the README says what is not kept apart then
  [[ $wrong == 0 ]] && echo PASSED
  sync
  umount /mnt/drive
  poweroff -f
}

if [[ ${1:-} == within ]]; then shift; within "$@"; else on_the_host; fi
