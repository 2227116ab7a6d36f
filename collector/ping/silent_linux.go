package ping

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// askTime is how long a router may take to say what became of a datagram.
const askTime = 800 * time.Millisecond

// errNoEcho is about a host that is there and does not answer echo.
var errNoEcho = errors.New("it is there, but leaves echo unanswered")

// whySilent asks what became of a host that answered nothing: it sends one empty datagram
// to the discard port and listens for a complaint from a router on the way. An echo socket
// is not told of such complaints. Silence gives nil: the host is just silent.
func whySilent(ctx context.Context, to netip.Addr) error {
	fd, err := complaintSocket(to)
	if err != nil {
		return nil // a mere diagnosis: the loss stands without it
	}
	defer unix.Close(fd)
	if err := unix.Send(fd, nil, 0); err != nil {
		return sortOut(err)
	}
	for end := time.Now().Add(askTime); time.Now().Before(end) && ctx.Err() == nil; {
		ready := []unix.PollFd{{Fd: int32(fd)}} // an error is always waited for
		n, err := unix.Poll(ready, 50)
		if err != nil && err != unix.EINTR {
			return nil
		}
		if n > 0 {
			return complaint(fd)
		}
	}
	return nil
}

// complaintSocket opens a datagram socket to the host that keeps the ICMP errors it gets.
func complaintSocket(to netip.Addr) (int, error) {
	family, level, option := unix.AF_INET, unix.IPPROTO_IP, unix.IP_RECVERR
	if !to.Is4() {
		family, level, option = unix.AF_INET6, unix.IPPROTO_IPV6, unix.IPV6_RECVERR
	}
	fd, err := unix.Socket(family, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return -1, err
	}
	err = errors.Join(unix.SetsockoptInt(fd, level, option, 1), unix.Connect(fd, sockaddr(to)))
	if err != nil {
		unix.Close(fd)
		return -1, err
	}
	return fd, nil
}

func sockaddr(to netip.Addr) unix.Sockaddr {
	if to.Is4() {
		return &unix.SockaddrInet4{Port: discardPort, Addr: to.As4()}
	}
	return &unix.SockaddrInet6{Port: discardPort, Addr: to.As16(), ZoneId: zoneID(to.Zone())}
}

// complaint takes one message from the socket's error queue.
func complaint(fd int) error {
	data, control := make([]byte, 64), make([]byte, 256)
	_, n, _, _, err := unix.Recvmsg(fd, data, control, unix.MSG_ERRQUEUE)
	if err != nil {
		return nil
	}
	messages, err := unix.ParseSocketControlMessage(control[:n])
	if err != nil {
		return nil
	}
	for _, m := range messages {
		if err := parseComplaint(m.Data); err != nil {
			return err
		}
	}
	return nil
}

// The origins and types of a struct sock_extended_err (linux/errqueue.h).
const (
	originLocal = 1
	originICMP  = 2
	originICMP6 = 3

	unreachableV4 = 3 // RFC 792
	unreachableV6 = 1 // RFC 4443
)

// parseComplaint reads a struct sock_extended_err: errno (4), origin, type, code, a pad,
// info (4), data (4), then the address of whoever complained.
func parseComplaint(b []byte) error {
	if len(b) < 16 {
		return nil
	}
	no := unix.Errno(binary.NativeEndian.Uint32(b))
	origin, typ, code := b[4], b[5], b[6]
	by := ""
	if who := offender(b[16:]); who.IsValid() {
		by = fmt.Sprintf(": %v says so", who)
	}
	switch {
	case origin == originLocal:
		return sortOut(no)
	case origin == originICMP && typ == unreachableV4:
		return unreachable(v4Verdict(code), by)
	case origin == originICMP6 && typ == unreachableV6:
		return unreachable(v6Verdict(code), by)
	}
	return nil
}

func unreachable(verdict error, by string) error { return fmt.Errorf("%w%s", verdict, by) }

// v4Verdict sorts the codes of destination unreachable (RFC 792, RFC 1812).
func v4Verdict(code byte) error {
	switch code {
	case 3: // port unreachable: the host itself answered
		return errNoEcho
	case 9, 10, 13: // administratively prohibited
		return ErrProhibited
	}
	return ErrUnreachable
}

// v6Verdict sorts the codes of destination unreachable (RFC 4443).
func v6Verdict(code byte) error {
	switch code {
	case 4:
		return errNoEcho
	case 1, 5, 6: // prohibited, source address failed policy, reject route
		return ErrProhibited
	}
	return ErrUnreachable
}

// offender is the address in a raw struct sockaddr.
func offender(b []byte) netip.Addr {
	if len(b) < 2 {
		return netip.Addr{}
	}
	switch family := binary.NativeEndian.Uint16(b); {
	case family == unix.AF_INET && len(b) >= 8:
		return netip.AddrFrom4([4]byte(b[4:8]))
	case family == unix.AF_INET6 && len(b) >= 24:
		return netip.AddrFrom16([16]byte(b[8:24])).Unmap()
	}
	return netip.Addr{}
}

// zoneID is the index of a link-local address's interface, 0 when there is none.
func zoneID(zone string) uint32 {
	if zone == "" {
		return 0
	}
	if i, err := net.InterfaceByName(zone); err == nil {
		return uint32(i.Index)
	}
	n, _ := strconv.ParseUint(zone, 10, 32)
	return uint32(n)
}
