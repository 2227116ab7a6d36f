package lookback

import (
	"encoding/json"
	"fmt"

	"ebbwatch/alert"
)

// ParseNotices reads notices as the history keeps them. The list is never nil, so that a
// report tells "none were sent" from "none were kept".
func ParseNotices(raw []json.RawMessage) ([]alert.Notice, error) {
	notices := []alert.Notice{}
	for i, b := range raw {
		var n alert.Notice
		if err := json.Unmarshal(b, &n); err != nil {
			return nil, fmt.Errorf("cannot read notice %d of the record: %w", i+1, err)
		}
		notices = append(notices, n)
	}
	return notices, nil
}
