"""Django's admin pages, for operators of the service only. No table of a company stands here."""

from functools import wraps
from typing import Any

from django.contrib import admin
from django.http import Http404, HttpRequest, HttpResponse

from jobs.models import User


class OperatorSite(admin.AdminSite):
    """Shows nothing, not even a sign-in form, to anybody but operators: they sign in as all people do."""

    site_header = "Flowledger operators"
    site_title = "Operators"
    index_title = "People who can sign in"

    def has_permission(self, request: HttpRequest) -> bool:
        user = request.user
        return isinstance(user, User) and user.is_active and user.is_operator

    def admin_view(self, view: Any, cacheable: bool = False) -> Any:
        inner = super().admin_view(view, cacheable)

        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
            if not self.has_permission(request):
                raise Http404
            return inner(request, *args, **kwargs)

        return guarded

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        raise Http404


operators = OperatorSite(name="operators")


@admin.register(User, site=operators)
class UserAdmin(admin.ModelAdmin):  # type: ignore[type-arg]  # not generic at run time
    """Shuts people out of the service and names operators. Passwords are set by their owners only."""

    list_display = ("email", "is_active", "is_operator", "last_login", "created_at")
    list_filter = ("is_active", "is_operator")
    search_fields = ("email",)
    fields = ("email", "is_active", "is_operator", "last_login", "created_at")
    readonly_fields = ("email", "last_login", "created_at")
    actions = None

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: User | None = None) -> bool:
        return False
