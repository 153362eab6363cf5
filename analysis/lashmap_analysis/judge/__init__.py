"""From a test record to the assessment: tight spot, verdict, doubts, advice, reviews, comparison."""
