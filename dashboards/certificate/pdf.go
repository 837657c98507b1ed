package certificate

import (
	"fmt"
	"io"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

const (
	margin = 15.0  // mm
	width  = 180.0 // mm, of the text
	line   = 5.0   // mm
	bottom = 20.0  // mm, kept free below
	cell   = 3.7   // mm, of a line in a table
)

// WritePDF lays the certificate out on A4. The same certificate gives the same
// bytes.
func (c *Certificate) WritePDF(w io.Writer) error {
	p := fpdf.New("P", "mm", "A4", "")
	p.SetCatalogSort(true)
	p.SetCreationDate(c.Date)
	p.SetModificationDate(c.Date)
	p.SetTitle(c.Title+" "+c.Number, true)
	p.SetMargins(margin, margin, margin)
	p.SetAutoPageBreak(true, bottom)
	p.AliasNbPages("{pages}")
	p.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	p.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	p.SetFooterFunc(func() {
		p.SetY(-15)
		p.SetFont("sans", "", 8)
		p.CellFormat(width/2, 5, "Certificate "+c.Number+"; in-house, no accreditation claimed", "", 0, "L", false, 0, "")
		p.CellFormat(width/2, 5, fmt.Sprintf("page %d of {pages}", p.PageNo()), "", 0, "R", false, 0, "")
	})
	p.AddPage()
	p.SetFont("sans", "B", 18)
	p.MultiCell(width, 9, c.Title, "", "L", false)
	p.SetFont("sans", "B", 12)
	p.MultiCell(width, 7, "No. "+c.Number, "", "L", false)
	p.Ln(2)
	p.SetFont("sans", "B", 11)
	p.MultiCell(width, 6, c.Verdict, "1", "L", false)
	p.Ln(3)
	for _, f := range c.Facts {
		c.fact(p, f)
	}
	for i := range c.Tables {
		c.Tables[i].write(p)
	}
	p.Ln(4)
	heading(p, "What this certificate says, and does not")
	p.SetFont("sans", "", 9)
	_, high := p.GetPageSize()
	released := "Calibrated and released by: " + c.Released + ", " + c.Date.UTC().Format("2006-01-02 15:04") + " UTC. A signature below makes it personal."
	p.SetFont("sans", "", 10)
	signing := 20 + line*float64(len(p.SplitText(released, width))) // mm
	p.SetFont("sans", "", 9)
	for i, s := range c.Words {
		// The signature never stands alone on a page.
		if tall := 4.5 * float64(len(p.SplitText(s, width))); i == len(c.Words)-1 && len(c.Notes) == 0 && p.GetY()+tall+signing > high-bottom {
			p.AddPage()
			p.SetFont("sans", "", 9)
		}
		p.MultiCell(width, 4.5, s, "", "L", false)
		p.Ln(1)
	}
	if len(c.Notes) > 0 {
		heading(p, "Remarks")
		p.SetFont("sans", "", 9)
		for _, s := range c.Notes {
			p.MultiCell(width, 4.5, s, "", "L", false)
		}
	}
	p.Ln(4)
	p.SetFont("sans", "", 10)
	p.MultiCell(width, line, released, "", "L", false)
	p.Ln(10)
	p.CellFormat(80, line, "Signature", "T", 1, "L", false, 0, "")
	return p.Output(w)
}

func heading(p *fpdf.Fpdf, s string) {
	p.SetFont("sans", "B", 11)
	p.MultiCell(width, 7, s, "", "L", false)
}

func (c *Certificate) fact(p *fpdf.Fpdf, f [2]string) {
	const name = 45.0
	p.SetFont("sans", "B", 9)
	y := p.GetY()
	p.CellFormat(name, line, f[0], "", 0, "L", false, 0, "")
	p.SetXY(margin+name, y)
	p.SetFont("sans", "", 9)
	p.MultiCell(width-name, line, f[1], "", "L", false)
}

// write lays out a table; a cell that is too long breaks into lines.
func (t *Table) write(p *fpdf.Fpdf) {
	p.Ln(4)
	_, high := p.GetPageSize()
	if p.GetY() > high-50 {
		p.AddPage()
	}
	heading(p, t.Title)
	sum := 0.0
	for _, w := range t.Widths {
		sum += w
	}
	row := func(cells []string, style string) {
		p.SetFont("sans", style, 8)
		lines := 1
		for i, text := range cells {
			lines = max(lines, len(p.SplitText(text, width*t.Widths[i]/sum)))
		}
		tall := cell*float64(lines) + 0.8
		if p.GetY()+tall > high-bottom {
			p.AddPage()
			p.SetFont("sans", style, 8)
		}
		x, y := margin, p.GetY()
		for i, text := range cells {
			w := width * t.Widths[i] / sum
			p.Rect(x, y, w, tall, "D")
			p.SetXY(x, y+0.4)
			p.MultiCell(w, cell, text, "", "L", false)
			x += w
		}
		p.SetXY(margin, y+tall)
	}
	row(t.Columns, "B")
	for _, cells := range t.Rows {
		row(cells, "")
	}
}
