
# Copies the extents of a read plan, in its order, and nothing else.
#
# Usage: sh SCRIPT SOURCE DESTINATION
#
# SOURCE is the drive (or image) that the plan was made for; it is only read. DESTINATION becomes a file as long as the
# drive, in which everything unplanned is a hole that takes no room. It must not exist, or be an empty regular file.
# What cannot be read is left as zeros and listed in DESTINATION.failed (start_byte,length_bytes).
#
# Exit status: 0 all copied; 1 finished, with places that could not be read; 2 refused before anything was written;
# 3 stopped on the way.
#
# Environment: START_AT=N goes on with an unfinished copy after its first N extents (a stopped run says which number).
# FINGERPRINT=skip copies although the tables and boot sectors no longer read as they did: only for a drive that is
# known to be the right one and has got worse.
#
# The check of the fingerprint reads the drive's tables and boot sectors once more, and on a block device the size is
# checked by reading its last 512 bytes. POSIX dd reads through the system's cache, which may read ahead of the
# request; where that can be switched off for a drive (on Linux: blockdev --setra 0 DEVICE), do so first.

LC_ALL=C
export LC_ALL
block=1048576
nl='
'
calls=0
failures=0
failed_bytes=0
skip_calls=${START_AT:-0}

say() {
    printf '%s\n' "$*" >&2
}

refuse() {
    say "Not started: $*"
    exit 2
}

stop() {
    say "Stopped: $*"
    say "To go on: START_AT=$((calls > 0 ? calls - 1 : 0)) sh $0 SOURCE DESTINATION"
    exit 3
}

# Size of a regular file. ls -n has the size as the fifth field of its line, whatever characters the name has.
size_of() {
    # shellcheck disable=SC2012
    ls -dlnL -- "$1" | awk 'NR == 1 { print $5 }'
}

# The file system that a path lies on, and the kilobytes free there: the field before the percentage.
file_system_of() {
    df -Pk -- "$1" | awk 'NR == 2 { print $1 }'
}
free_on() {
    df -Pk -- "$1" | awk 'NR == 2 { for (i = NF; i > 1; i--) if ($i ~ /^[0-9]+%$/) { print $(i - 1); exit } }'
}

# Whether two existing paths are one file: the same number on the same file system.
same_file() {
    # shellcheck disable=SC2012
    [ "$(ls -diL -- "$1" | awk 'NR == 1 { print $1 }')" = "$(ls -diL -- "$2" | awk 'NR == 1 { print $1 }')" ] &&
        [ "$(file_system_of "$1")" = "$(file_system_of "$2")" ]
}

# f START COUNT: writes COUNT units from unit START of the source to the standard output.
f() {
    dd if="$source" bs="$unit" skip="$1" count="$2" 2>/dev/null
}

# Bytes that the source gives from sector $1 of 512 bytes on, of at most one sector.
bytes_at() {
    dd if="$source" bs=512 skip="$1" count=1 2>/dev/null | wc -c
}

check_source() {
    [ -e "$source" ] || refuse "$source: there is no such file or device"
    [ -r "$source" ] || refuse "$source: no permission to read it"
    if [ -b "$source" ]; then
        # POSIX has no other way to learn a device's size: its last bytes are there, and there is nothing behind them.
        last=$(((source_bytes - 1) / 512))
        { [ "$(bytes_at "$last")" -eq $((source_bytes - last * 512)) ] && [ "$(bytes_at $((last + 1)))" -eq 0 ]; } ||
            refuse "$source: does not have the $source_bytes bytes of the drive that the plan was made for"
    elif [ -f "$source" ]; then
        size=$(size_of "$source")
        [ "$size" -eq "$source_bytes" ] ||
            refuse "$source: has $size bytes, but the plan was made for a drive of $source_bytes"
    else
        refuse "$source: is neither a regular file nor a block device"
    fi
    if [ "${FINGERPRINT:-check}" != skip ] && [ "${fingerprint#* }" -gt 0 ]; then
        sum=$(fingerprint_extents | cksum)
        case $sum in
        "$fingerprint" | "$fingerprint "*) ;;
        *) refuse "$source: its tables and boot sectors are not those that the plan was made for (cksum gives $sum, the plan has $fingerprint). Is it another drive, or was it written to since? If it is the right one and has got worse, set FINGERPRINT=skip" ;;
        esac
    fi
}

check_destination() {
    case $destination in
    */*) folder=${destination%/*}/ ;;
    *) folder=./ ;;
    esac
    [ -d "$folder" ] || refuse "$folder: there is no such folder"
    if [ -b "$source" ]; then
        on=$(file_system_of "$folder")
        case $on in
        "$source" | "$source"[0-9]* | "$source"p[0-9]*) refuse "$destination: would lie on the source itself ($on)" ;;
        esac
    fi
    if [ -e "$destination" ]; then
        [ -f "$destination" ] || refuse "$destination: exists and is not a regular file"
        ! same_file "$source" "$destination" || refuse "$destination: is the source itself"
        if [ "$skip_calls" -eq 0 ]; then
            [ ! -s "$destination" ] || refuse "$destination: exists already and is not empty"
        elif [ "$(size_of "$destination")" -ne "$source_bytes" ]; then
            refuse "$destination: is not an unfinished copy of this plan, its length is not $source_bytes bytes"
        fi
    elif [ -h "$destination" ]; then
        refuse "$destination: is a link to nowhere"
    elif [ "$skip_calls" -gt 0 ]; then
        refuse "$destination: there is no unfinished copy to go on with"
    fi
    if [ "$skip_calls" -eq 0 ]; then
        [ ! -e "$failed" ] || refuse "$failed: exists already"
        room=$(free_on "$folder")
        if [ -z "$room" ]; then
            say "Room at $folder cannot be told; $room_kib KiB are needed."
        elif [ "$room" -lt "$room_kib" ]; then
            refuse "$folder: has room for $room KiB, but $room_kib KiB may be needed"
        fi
    fi
}

# Gives the destination its length. dd with an empty input sets it to the place it was to write at (POSIX, dd, of=).
make_destination() {
    [ "$skip_calls" -eq 0 ] || return 0
    {
        dd if=/dev/null of="$destination" bs=1 seek="$source_bytes" 2>/dev/null &&
            [ "$(size_of "$destination")" -eq "$source_bytes" ]
    } || refuse "$destination: cannot be made $source_bytes bytes long; may files be that long on this file system?"
}

# p NUMBER CLASS BYTES EXTENTS PATTERN: says which pass starts.
p() {
    [ "$calls" -lt "$skip_calls" ] || printf 'pass %s: %s, %s bytes in %s extents %s\n' "$1" "$2" "$3" "$4" "$5"
}

# r START COUNT: copies COUNT units from unit START. A long extent is cut so that all but its two ends are copied in
# blocks of 1 MiB, though it starts elsewhere than on a multiple of that.
r() {
    calls=$((calls + 1))
    [ "$calls" -gt "$skip_calls" ] || return 0
    from=$(($1 * unit))
    to=$((from + $2 * unit))
    [ "$to" -le "$source_bytes" ] || to=$source_bytes
    first=$(((from + block - 1) / block * block))
    last=$((to / block * block))
    if [ "$first" -lt "$last" ]; then
        [ "$from" -eq "$first" ] || piece "$from" "$first"
        piece "$first" "$last"
        [ "$last" -eq "$to" ] || piece "$last" "$to"
    else
        piece "$from" "$to"
    fi
}

# piece FROM TO: copies bytes FROM up to TO in the largest blocks that both are multiples of.
piece() {
    bs=$unit
    while [ "$bs" -lt "$block" ] && [ $(($1 % (bs * 2))) -eq 0 ] && [ $(($2 % (bs * 2))) -eq 0 ]; do
        bs=$((bs * 2))
    done
    at=$(($1 / bs))
    count=$((($2 - $1 + bs - 1) / bs))
    while [ "$count" -gt 0 ]; do
        said=$(dd if="$source" of="$destination" bs="$bs" skip="$at" seek="$at" count="$count" conv=notrunc 2>&1)
        status=$?
        case $status$said in
        "0$count+0 records in$nl$count+0 records out"*) return 0 ;;
        esac
        partly_copied
    done
}

# After a dd that did not copy all of its blocks: its own report (POSIX, dd, STDERR) tells how far it came. The block
# it stopped at is listed as failed, and copying goes on behind it.
partly_copied() {
    case $said in
    *' records in'*' records out'*) ;;
    *) stop "dd does not say how far it came: $said" ;;
    esac
    blocks_in=${said% records in*}
    blocks_in=${blocks_in##*"$nl"}
    blocks_out=${said% records out*}
    blocks_out=${blocks_out##*"$nl"}
    whole=${blocks_out%+*}
    # The drive's last block may be short.
    if [ "$status" -eq 0 ] && [ "$blocks_out" = "$((count - 1))+1" ] && [ $(((at + count) * bs)) -gt "$source_bytes" ]; then
        count=0
        return 0
    fi
    [ "$status" -le 128 ] || stop "dd was ended by a signal"
    [ "$blocks_in" = "$blocks_out" ] || stop "the destination cannot be written: $said"
    [ -e "$source" ] || stop "the source is gone"
    if [ "$status" -eq 0 ] && [ "$whole" -gt 0 ]; then
        # No error, only less than asked for: ask for the rest.
        at=$((at + whole))
        count=$((count - whole))
        return 0
    fi
    bad=$(((at + whole) * bs))
    bad_end=$((bad + bs))
    [ "$bad_end" -le "$source_bytes" ] || bad_end=$source_bytes
    [ -e "$failed" ] || printf 'start_byte,length_bytes\n' >"$failed" || stop "$failed cannot be written"
    printf '%s,%s\n' "$bad" "$((bad_end - bad))" >>"$failed" || stop "$failed cannot be written"
    failures=$((failures + 1))
    failed_bytes=$((failed_bytes + bad_end - bad))
    at=$((at + whole + 1))
    count=$((count - whole - 1))
}

finish() {
    if [ "$failures" -gt 0 ] || [ -e "$failed" ]; then
        say "Finished: $calls extents, $plan_bytes bytes; this run could not read $failed_bytes of them (blocks that failed: $failures). All such blocks are in $failed"
        exit 1
    fi
    say "Finished: $calls extents, $plan_bytes bytes, all copied"
    exit 0
}

[ $# -eq 2 ] || refuse "usage: sh $0 SOURCE DESTINATION"
source=$1
destination=$2
failed=$destination.failed
case $skip_calls in
'' | *[!0-9]*) refuse "START_AT is '$skip_calls', not a number" ;;
esac
[ "$skip_calls" -le "$plan_extents" ] || refuse "START_AT is $skip_calls, but the plan has $plan_extents extents"
[ $((1125899906842624 / 1048576)) -eq 1073741824 ] || refuse "this shell cannot count beyond 32 bits"
check_source
check_destination
make_destination
trap 'stop interrupted' INT TERM HUP

