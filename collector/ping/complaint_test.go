//go:build linux

package ping

import (
	"encoding/binary"
	"errors"
	"net/netip"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// extended builds a struct sock_extended_err with the address after it.
func extended(no unix.Errno, origin, typ, code byte, by netip.Addr) []byte {
	b := binary.NativeEndian.AppendUint32(nil, uint32(no))
	b = append(b, origin, typ, code, 0, 0, 0, 0, 0, 0, 0, 0, 0)
	switch {
	case by.Is4():
		b = binary.NativeEndian.AppendUint16(b, unix.AF_INET)
		b = append(b, 0, 0)
		return append(b, by.AsSlice()...)
	case by.Is6():
		b = binary.NativeEndian.AppendUint16(b, unix.AF_INET6)
		b = append(b, 0, 0, 0, 0, 0, 0)
		return append(b, by.AsSlice()...)
	}
	return b
}

// The codes are those of RFC 792, RFC 1812 5.2.7.1 and RFC 4443 3.1.
func TestComplaint(t *testing.T) {
	t.Parallel()
	v4, v6 := netip.MustParseAddr("10.20.0.254"), netip.MustParseAddr("2001:db8::fe")
	for _, row := range []struct {
		name string
		raw  []byte
		want error
		by   string
	}{
		{"host unreachable", extended(unix.EHOSTUNREACH, originICMP, 3, 1, v4), ErrUnreachable, "10.20.0.254 says so"},
		{"filtered", extended(unix.EHOSTUNREACH, originICMP, 3, 13, v4), ErrProhibited, "10.20.0.254 says so"},
		{"port", extended(unix.ECONNREFUSED, originICMP, 3, 3, v4), errNoEcho, "10.20.0.254"},
		{"time exceeded", extended(unix.EHOSTUNREACH, originICMP, 11, 0, v4), nil, ""},
		{"no route 6", extended(unix.ENETUNREACH, originICMP6, 1, 0, v6), ErrUnreachable, "2001:db8::fe says so"},
		{"prohibited 6", extended(unix.EACCES, originICMP6, 1, 1, v6), ErrProhibited, "2001:db8::fe says so"},
		{"port 6", extended(unix.ECONNREFUSED, originICMP6, 1, 4, v6), errNoEcho, "2001:db8::fe"},
		{"this machine", extended(unix.EHOSTUNREACH, originLocal, 0, 0, netip.Addr{}), ErrUnreachable, ""},
		{"cut short", []byte{1, 2, 3}, nil, ""},
	} {
		got := parseComplaint(row.raw)
		if !errors.Is(got, row.want) || row.by != "" && !strings.Contains(got.Error(), row.by) {
			t.Errorf("%s: %v, want %v by %q", row.name, got, row.want, row.by)
		}
	}
}

func FuzzComplaint(f *testing.F) {
	f.Add(extended(unix.EHOSTUNREACH, originICMP, 3, 1, netip.MustParseAddr("10.20.0.254")))
	f.Add(extended(unix.EACCES, originICMP6, 1, 1, netip.MustParseAddr("2001:db8::fe")))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := parseComplaint(b); err != nil && err.Error() == "" {
			t.Error("an error without a word")
		}
	})
}
