package statedir

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// A file is one line, such as
//
//	ebbwatch-state 1 <SHA-256 in hex> <bytes>
//
// and then that many bytes of JSON. The sum is taken over the line without the sum, and the
// JSON, so that no bit of the file can change unseen.
const (
	magic   = "ebbwatch-state"
	version = 1
)

var errDamaged = errors.New("is damaged")

// seal puts the line before the JSON and gives the sum.
func seal(payload []byte) (data []byte, sum string) {
	sum = checksum(version, payload)
	line := fmt.Sprintf("%s %d %s %d\n", magic, version, sum, len(payload))
	return append([]byte(line), payload...), sum
}

func checksum(version int, payload []byte) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s %d %d\n", magic, version, len(payload))
	h.Write(payload)
	return fmt.Sprintf("%x", h.Sum(nil))
}

// unseal takes the JSON out, if the file is whole. Its errors wrap errDamaged.
func unseal(data []byte) (payload []byte, sum string, err error) {
	line, payload, found := bytes.Cut(data, []byte("\n"))
	words := strings.Split(string(line), " ")
	switch {
	case len(data) == 0:
		return nil, "", fmt.Errorf("%w: it is empty", errDamaged)
	case !found || len(words) != 4 || words[0] != magic:
		return nil, "", fmt.Errorf("%w: its first line is not that of a state file", errDamaged)
	case words[3] != strconv.Itoa(len(payload)):
		return nil, "", fmt.Errorf("%w: it holds %d bytes, not %s", errDamaged, len(payload), words[3])
	}
	v, err := strconv.Atoi(words[1])
	if err != nil || words[2] != checksum(v, payload) {
		return nil, "", fmt.Errorf("%w: its check sum is wrong", errDamaged)
	}
	if v != version {
		return nil, "", fmt.Errorf("%w for this version: its format is %d, not %d", errDamaged, v, version)
	}
	return payload, words[2], nil
}
