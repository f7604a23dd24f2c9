package settings

import (
	"fmt"
	"strings"

	"coilward/alerts"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/sensitivity"
)

// BuiltIn says what a setting is where nobody set it, as people read it.
func BuiltIn(row *fleet.Setting, trade *sensitivity.Trade, raiseAt float64) string {
	d := alerts.DefaultDelays()
	if row.Field >= fleet.FieldOnDelay && row.Field <= fleet.FieldOnDelayCritical {
		return fleet.Delay(d.On[row.Field-fleet.FieldOnDelay])
	}
	switch row.Field {
	case fleet.FieldWarmLimit, fleet.FieldColdLimit:
		parts := strings.Split(row.Key, ".")
		if len(parts) != 3 {
			return "its product’s"
		}
		p, err := fleet.ParseProduct(parts[1])
		if err != nil {
			return ""
		}
		if row.Field == fleet.FieldWarmLimit {
			return fmt.Sprint(float64(p.Limits().Warm))
		}
		return fmt.Sprint(float64(p.Limits().Cold))
	case fleet.FieldOffDelay:
		return fleet.Delay(d.Off)
	case fleet.FieldRestockDelay:
		return fleet.Delay(detect.PullDown)
	case fleet.FieldDeadband:
		return "none"
	case fleet.FieldFalseAlarms:
		rate, _ := trade.At(raiseAt)
		return fmt.Sprintf("%.2g", rate)
	case fleet.FieldAtLeast, fleet.FieldAtMost:
		return "none"
	case fleet.FieldQuietHours:
		return "none"
	}
	return "at any time"
}
