package ping

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"sync"
	"time"
)

const (
	freshFor   = 5 * time.Minute  // a name is looked up again after this
	retryAfter = 30 * time.Second // or after this, when the look-up failed
	lookupTime = 3 * time.Second  // a look-up may take no longer
)

// lookup finds the addresses of a name; network is "ip".
type lookup func(ctx context.Context, network, host string) ([]netip.Addr, error)

// addressBook remembers the addresses of names. A name that stops resolving keeps its last
// address: on these paths the name server is often the first to go.
type addressBook struct {
	lookup  lookup
	mu      sync.Mutex
	entries map[string]entry
}

type entry struct {
	addr netip.Addr
	next time.Time // when to look it up again
	err  error     // of the last look-up
}

func newAddressBook(l lookup) *addressBook {
	return &addressBook{lookup: l, entries: map[string]entry{}}
}

// find gives the address of a host. An error beside a valid address says that the address
// is an old one.
func (b *addressBook) find(ctx context.Context, host string) (netip.Addr, error) {
	if addr, err := netip.ParseAddr(host); err == nil {
		return addr.Unmap(), nil
	}
	b.mu.Lock()
	e := b.entries[host]
	b.mu.Unlock()
	if time.Now().Before(e.next) {
		return e.addr, e.err
	}
	e = b.refresh(ctx, host, e)
	b.mu.Lock()
	b.entries[host] = e
	b.mu.Unlock()
	return e.addr, e.err
}

func (b *addressBook) refresh(ctx context.Context, host string, old entry) entry {
	within, cancel := context.WithTimeout(ctx, lookupTime)
	defer cancel()
	addrs, err := b.lookup(within, "ip", host)
	if err == nil && len(addrs) == 0 {
		err = errors.New("it has no address")
	}
	if err == nil {
		return entry{addr: choose(addrs, old.addr), next: time.Now().Add(freshFor)}
	}
	if ctx.Err() != nil { // the poll ended, not the name
		return entry{addr: old.addr, next: time.Now(), err: fmt.Errorf("looking it up: %w", ctx.Err())}
	}
	if old.addr.IsValid() {
		err = fmt.Errorf("%w (%w); going on with its last address %v", ErrUnresolved, err, old.addr)
	} else {
		err = fmt.Errorf("%w: %w", ErrUnresolved, err)
	}
	return entry{addr: old.addr, next: time.Now().Add(retryAfter), err: err}
}

// choose stays with the address in use while the name still has it, so that the figures of
// one window belong to one path.
func choose(addrs []netip.Addr, old netip.Addr) netip.Addr {
	for i := range addrs {
		addrs[i] = addrs[i].Unmap()
	}
	if slices.Contains(addrs, old) {
		return old
	}
	return addrs[0]
}
