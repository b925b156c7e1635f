from django.urls import include, path
from rest_framework.routers import DefaultRouter

from . import views

router = DefaultRouter()
router.register("orders", views.OrderViewSet)
router.register("customers", views.CustomerViewSet)
router.register("prescriptions", views.PrescriptionViewSet)
router.register("jobs", views.JobViewSet)
router.register("stock", views.LotViewSet)
router.register("payments", views.PaymentViewSet)
urlpatterns = [path("api/v1/", include(router.urls))]
