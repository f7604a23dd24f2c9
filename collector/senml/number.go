package senml

import "strconv"

// pow10 are the powers of ten that a double holds exactly.
var pow10 = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// scanNumber reads a JSON number at i and returns the nearest double and where
// the number ends. ok is false where there is no number, and then end is i, or
// where no double can hold it.
//
// Up to 15 digits and a power of ten up to 22 are both exact as doubles, so
// that one division or multiplication of the two rounds correctly (Clinger
// 1990, "How to read floating point numbers accurately"). The rest goes to
// strconv.
func scanNumber(data []byte, i int) (v float64, end int, ok bool) {
	start := i
	negative := i < len(data) && data[i] == '-'
	if negative {
		i++
	}
	var mantissa uint64
	digits, exponent := 0, 0
	first := i
	for ; i < len(data) && data[i]-'0' <= 9; i++ {
		mantissa = mantissa*10 + uint64(data[i]-'0')
	}
	digits = i - first
	if digits == 0 || digits > 1 && data[first] == '0' {
		return 0, start, false
	}
	if i < len(data) && data[i] == '.' {
		i++
		point := i
		for ; i < len(data) && data[i]-'0' <= 9; i++ {
			mantissa = mantissa*10 + uint64(data[i]-'0')
		}
		if i == point {
			return 0, start, false
		}
		exponent = point - i
		digits += i - point
	}
	if i < len(data) && data[i]|0x20 == 'e' {
		i++
		minus := false
		if i < len(data) && (data[i] == '+' || data[i] == '-') {
			minus = data[i] == '-'
			i++
		}
		power, from := 0, i
		for ; i < len(data) && data[i]-'0' <= 9; i++ {
			power = min(power*10+int(data[i]-'0'), 1<<20)
		}
		if i == from {
			return 0, start, false
		}
		if minus {
			power = -power
		}
		exponent += power
	}
	if digits <= 15 && exponent >= -22 && exponent <= 22 {
		v = float64(mantissa)
		if exponent < 0 {
			v /= pow10[-exponent]
		} else {
			v *= pow10[exponent]
		}
		if negative {
			v = -v
		}
		return v, i, true
	}
	v, err := strconv.ParseFloat(string(data[start:i]), 64)
	return v, i, err == nil
}
