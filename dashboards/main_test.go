package dashboards

import (
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	time.Local = time.UTC // pages write local times, the golden files know one
	goleak.VerifyTestMain(m)
}
