// The go-back window by itself: what may be under way, what an acknowledgement frees, what loss costs.
#include "host/link/sender.h"

#include <gtest/gtest.h>

namespace tenterhook::link {
namespace {

using Bytes = std::vector<std::uint8_t>;

Sender with_chunks(int count, unsigned line_room, unsigned program_room, std::size_t size = 96) {
  Sender sender;
  sender.restart(line_room, program_room);
  for (int i = 0; i < count; ++i) sender.add(wire::Type::chunk, Bytes(size, static_cast<std::uint8_t>(i)));
  return sender;
}

// Sequence numbers that the window lets go at `now`.
std::vector<int> sends(Sender& sender, Seconds now) {
  std::vector<int> numbers;
  while (auto ready = sender.next(now)) numbers.push_back(ready->sequence);
  return numbers;
}

using Numbers = std::vector<int>;

TEST(Sender, LineRoomBoundsWhatIsUnderWay) {
  Sender sender = with_chunks(5, 224, 1024);
  EXPECT_EQ(sends(sender, Seconds{0}), (Numbers{0, 1}));  // 108 line bytes each
}

TEST(Sender, CreditBoundsWhatIsUnderWay) {
  Sender sender = with_chunks(5, 10000, 200);
  EXPECT_EQ(sends(sender, Seconds{0}), (Numbers{0, 1}));
  sender.acknowledged(2, 0, Seconds{0.001});  // no room yet
  EXPECT_EQ(sends(sender, Seconds{0.001}), Numbers{});
  sender.acknowledged(2, 96 / wire::kCreditUnit, Seconds{0.002});
  EXPECT_EQ(sends(sender, Seconds{0.002}), (Numbers{2}));
}

TEST(Sender, AcknowledgementIsCumulativeAndFreesTheWindow) {
  Sender sender = with_chunks(5, 224, 1024);
  sends(sender, Seconds{0});
  sender.acknowledged(2, 50, Seconds{0.001});
  EXPECT_EQ(sends(sender, Seconds{0.001}), (Numbers{2, 3}));
}

TEST(Sender, OldOrImpossibleAcknowledgementChangesNothing) {
  Sender sender = with_chunks(4, 224, 1024);
  sends(sender, Seconds{0});
  sender.acknowledged(2, 50, Seconds{0.001});
  sends(sender, Seconds{0.001});
  sender.acknowledged(1, 255, Seconds{0.002});    // of the past
  sender.acknowledged(9, 255, Seconds{0.002});    // never sent
  sender.acknowledged(0xFFFF, 255, Seconds{0.002});
  EXPECT_EQ(sender.base(), 2);
  EXPECT_FALSE(sender.idle());
}

TEST(Sender, GoingBackSendsAgainFromTheOldest) {
  Sender sender = with_chunks(3, 224, 1024);
  sends(sender, Seconds{0});
  const unsigned generation = sender.generation();
  ASSERT_TRUE(sender.go_back(Seconds{0.01}));
  EXPECT_NE(sender.generation(), generation);
  auto again = sender.next(Seconds{0.01});
  ASSERT_TRUE(again.has_value());
  EXPECT_EQ(again->sequence, 0);
  EXPECT_TRUE(again->again);
  EXPECT_EQ(sender.resent(), 1u);
}

TEST(Sender, LateAcknowledgementAfterGoingBackIsHonoured) {
  Sender sender = with_chunks(3, 224, 1024);
  sends(sender, Seconds{0});
  sender.go_back(Seconds{0.07});
  sender.acknowledged(2, 50, Seconds{0.071});  // both had arrived after all
  EXPECT_EQ(sends(sender, Seconds{0.072}), (Numbers{2}));
}

TEST(Sender, TimeOutDoublesUpToItsBoundAndThenGivesUp) {
  Sender sender = with_chunks(1, 224, 1024);
  Seconds now{0};
  std::vector<double> waits;
  for (int i = 0; i <= wire::kRetriesMax; ++i) {
    sends(sender, now);
    const auto due = sender.deadline();
    ASSERT_TRUE(due.has_value());
    waits.push_back(std::round((*due - now).value * 1e3));
    EXPECT_TRUE(sender.tick(*due - Seconds{1e-6}));
    now = *due + Seconds{1e-6};
    EXPECT_EQ(sender.tick(now), i < wire::kRetriesMax) << i;
  }
  EXPECT_EQ(waits, (std::vector<double>{60, 120, 240, 480, 480, 480, 480, 480, 480}));
}

TEST(Sender, ProgressForgivesEarlierRetries) {
  Sender sender = with_chunks(2, 224, 1024);
  sends(sender, Seconds{0});
  for (int i = 0; i < wire::kRetriesMax; ++i) EXPECT_TRUE(sender.go_back(Seconds{0.1 * i}));
  sends(sender, Seconds{1});
  sender.acknowledged(1, 50, Seconds{1.01});
  EXPECT_EQ(sender.retries(), 0);
  EXPECT_TRUE(sender.go_back(Seconds{1.1}));
}

TEST(Sender, NumbersWrapAt65536) {
  Sender sender;
  sender.restart(224, 1024);
  for (int i = 0; i < 66000; ++i) {
    sender.add(wire::Type::chunk, Bytes(1, 0));
    auto ready = sender.next(Seconds{0});
    ASSERT_TRUE(ready.has_value()) << i;
    ASSERT_EQ(ready->sequence, static_cast<std::uint16_t>(i));
    sender.acknowledged(static_cast<std::uint16_t>(i + 1), 64, Seconds{0});
    ASSERT_TRUE(sender.idle()) << i;
  }
}

TEST(Sender, ClearedSenderSendsNothing) {
  Sender sender = with_chunks(3, 224, 1024);
  sends(sender, Seconds{0});
  sender.clear();
  EXPECT_EQ(sends(sender, Seconds{1}), Numbers{});
  EXPECT_TRUE(sender.idle());
  EXPECT_FALSE(sender.deadline().has_value());
}

}  // namespace
}  // namespace tenterhook::link
