package statedir

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// A file is one line, such as
//
//	ebbwatch-state 2 <SHA-256 in hex> <bytes> <number>
//
// then that many bytes: JSON, compressed with gzip; and then whatever fills the last block of
// the disk, which does not count. The number tells which of two files was saved later. The sum
// is taken over the line without the sum, and the bytes, so that no bit of them can change
// unseen. Version 1 had neither compression nor number nor filling.
const (
	magic   = "ebbwatch-state"
	version = 2
)

// block is what a file system writes at least.
const block = 4096

// maxState bounds what is unpacked; state is some ten kB.
const maxState = 64 << 20

var errDamaged = errors.New("is damaged")

// seal packs JSON into what a file is to hold.
func seal(number int64, payload []byte) ([]byte, error) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := z.Write(payload); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	tail := fmt.Sprintf("%d %d", packed.Len(), number)
	sum := checksum(version, tail, packed.Bytes())
	data := append(fmt.Appendf(nil, "%s %d %s %s\n", magic, version, sum, tail), packed.Bytes()...)
	return append(data, make([]byte, (block-len(data)%block)%block)...), nil
}

// checksum is over all that counts; tail is the line after the sum.
func checksum(version int, tail string, packed []byte) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s %d %s\n", magic, version, tail)
	h.Write(packed)
	return fmt.Sprintf("%x", h.Sum(nil))
}

// unseal takes the JSON out, and its number, if the file is whole. Its errors wrap errDamaged;
// beside one the number is what the first line says, 0 where it says none.
func unseal(data []byte) (payload []byte, number int64, err error) {
	line, rest, found := bytes.Cut(data, []byte("\n"))
	words := strings.SplitN(string(line), " ", 4)
	switch {
	case len(data) == 0:
		return nil, 0, fmt.Errorf("%w: it is empty", errDamaged)
	case !found || len(words) != 4 || words[0] != magic:
		return nil, 0, fmt.Errorf("%w: its first line is not that of a state file", errDamaged)
	}
	size, last, _ := strings.Cut(words[3], " ")
	number, _ = strconv.ParseInt(last, 10, 64) // held against its sum below
	n, err := strconv.Atoi(size)
	if err != nil || n < 0 || n > len(rest) || words[1] == "1" && n != len(rest) {
		return nil, number, fmt.Errorf("%w: it holds %d bytes, not %s", errDamaged, len(rest), size)
	}
	v, err := strconv.Atoi(words[1])
	if err != nil || words[2] != checksum(v, words[3], rest[:n]) {
		return nil, number, fmt.Errorf("%w: its check sum is wrong", errDamaged)
	}
	switch v {
	case 1:
		return rest, 0, nil
	case version:
		if payload, err = unpack(rest[:n]); err != nil {
			return nil, number, fmt.Errorf("%w: %w", errDamaged, err)
		}
		return payload, number, nil
	}
	return nil, number, fmt.Errorf("%w for this version: its format is %d, not %d", errDamaged, v, version)
}

func unpack(packed []byte) ([]byte, error) {
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	payload, err := io.ReadAll(io.LimitReader(z, maxState))
	return payload, errors.Join(err, z.Close())
}
