package heat

import (
	"errors"
	"strconv"
	"strings"
)

var errNoGauge = errors.New("no gauge")

func parseAWG(s string) (AWG, error) {
	s = strings.TrimSpace(s)
	if rest, ok := cutFold(s, "awg"); ok {
		s = strings.TrimSpace(rest)
	}
	if zeros, ok := strings.CutSuffix(s, "/0"); ok {
		n, err := strconv.ParseUint(zeros, 10, 4)
		if err != nil || n < 1 || n > 4 {
			return 0, errNoGauge
		}
		return AWG(1 - int(n)), nil
	}
	if s != "" && strings.Trim(s, "0") == "" {
		if len(s) > 4 {
			return 0, errNoGauge
		}
		return AWG(1 - len(s)), nil
	}
	if strings.HasPrefix(s, "0") {
		return 0, errNoGauge // 018 may be a typing error for 0 or for 18
	}
	n, err := strconv.ParseUint(s, 10, 8)
	return AWG(n), err
}

func cutFold(s, prefix string) (string, bool) {
	if len(s) >= len(prefix) && strings.EqualFold(s[:len(prefix)], prefix) {
		return s[len(prefix):], true
	}
	return s, false
}
