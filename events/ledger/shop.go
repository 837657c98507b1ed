package ledger

import (
	"witnessmark/events"
)

// shop writes a shop description, with all that is in it.
func (b *batch) shop(o outcome, a *events.ShopAdopted) error {
	s := &a.Shop
	if err := b.put(putShop, o.id, s.ID, s.Name, s.Torque, s.Length, a.Hash, us(o.at)); err != nil {
		return err
	}
	for i, x := range s.Benches {
		if err := b.put(putBench, o.id, int64(i), x.ID, x.Name); err != nil {
			return err
		}
	}
	for i, x := range s.People {
		if err := b.put(putPerson, o.id, int64(i), x.ID, x.Name, string(x.Role), x.Badge, x.Code); err != nil {
			return err
		}
	}
	for i, x := range s.Tools {
		if err := b.tool(o, i, &x); err != nil {
			return err
		}
	}
	for i, x := range s.Devices {
		err := b.put(putShopDevice, o.id, int64(i), x.ID, x.Tool, x.Bench, x.Profile, x.Port, x.USBVendor, x.USBProduct, x.USBSerial, x.Box)
		if err != nil {
			return err
		}
	}
	for i, x := range s.Boxes {
		if err := b.put(putShopBox, o.id, int64(i), x.ID, x.Key); err != nil {
			return err
		}
	}
	return b.drawers(o, s)
}

func (b *batch) tool(o outcome, place int, t *events.Tool) error {
	d := t.Most.Dimension()
	return b.put(putTool, o.id, int64(place), t.ID, t.Name, string(t.Kind), t.Serial, int64(d),
		baseIn(d, t.Least), base(t.Most), t.URel, baseIn(d, t.UAbs),
		bit(t.Reports.Angle), bit(t.Reports.Duration), bit(t.Reports.Trace), base(t.Reports.AngleStep), baseIn(d, t.Reports.Threshold),
		bit(t.Reports.CountsSent), bit(t.Reports.CountsCycles), bit(t.Reports.Late), t.Calibrated, t.Due,
		t.Class, t.Design, baseIn(d, t.Resolution), t.Owner, t.Place, int64(t.Interval.Months), int64(t.Interval.Cycles),
		bit(t.Reference), t.Certificate, t.MaxDeviation, baseIn(d, t.MaxError), t.LimitSource)
}
