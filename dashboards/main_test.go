package dashboards

import (
	"os"
	"testing"
	"time"
)

func TestMain(m *testing.M) {
	time.Local = time.UTC // pages write local times, the golden files know one
	os.Exit(m.Run())
}
